"""What README promises in its table of what comes back."""

from __future__ import annotations

from support.vm.board import PROJECT


def cells() -> dict[str, dict[str, str]]:
    """Return the table's cells: by column, then by row."""
    below = (PROJECT / "README.md").read_text(encoding="utf-8").partition("What comes back\n")[2]
    _, start, rest = below.partition("\n| |")  # a second table follows
    lines = f"| |{rest}".partition("\n\n")[0].splitlines()
    assert start
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    head, _, *body = rows
    return {kind: {row[0]: row[n] for row in body} for n, kind in enumerate(head) if n}
