"""The manual page is that of this version's help."""

from __future__ import annotations

from pathlib import Path

from holdstill.cli import man_page

KEPT = Path(__file__).parents[3] / "configs/package/holdstill.1"


def test_the_page_in_the_package_is_made_from_the_help_as_it_is() -> None:
    assert KEPT.read_text("utf-8") == man_page.page(), (
        f"make it anew: python -m holdstill.cli.man_page > {KEPT}"
    )


def test_no_line_of_text_is_taken_for_a_request() -> None:
    known = {".TH", ".SH", ".SS", ".PP", ".TP", ".B", ".I", ".nf", ".fi"}

    requests = {
        line.split()[0] for line in man_page.page().splitlines() if line.startswith((".", "'"))
    }

    assert requests <= known
