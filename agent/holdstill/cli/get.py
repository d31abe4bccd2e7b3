"""The command `holdstill get`."""

from __future__ import annotations

from pathlib import Path

import click

from holdstill.cli import consoles, open_capture, options, tables, terminal
from holdstill.errors import DegradedError
from holdstill.records import assembled
from holdstill.workflow import capture_ref, extract
from holdstill.workflow.extract import DamagePolicy


@click.command("get", short_help="Extract a file or folder from a capture.")
@click.argument("capture", metavar="BOARD[/CAPTURE]")
@click.argument("path")
@click.option(
    "--to",
    type=click.Path(path_type=Path),
    help="Where to put it; must not exist. Default: its own name, here.",
)
@click.option(
    "--leave-out-damaged",
    "damaged",
    flag_value=DamagePolicy.LEAVE_OUT,
    default=DamagePolicy.REFUSE,
    type=click.UNPROCESSED,
    help="Leave out files whose contents are damaged in the store, and list them.",
)
@options.store_option
@options.access_options
def command(
    capture: str, path: str, *, to: Path | None, damaged: DamagePolicy, store_address: str | None
) -> int:
    r"""Take one file or folder out of a capture, by its PATH on the board.

    A PATH such as 1:/config.txt names a partition that was not mounted; boot0.bin is what an eMMC
    has in its boot0, by the name that `show` gives it. Exit code 8: files were left out because
    they are damaged.

    \b
    Examples:
      holdstill get pier-3 /etc/hostname --to ./hostname
      holdstill get pier-3/000042 1:/cmdline.txt
      holdstill get pier-3 boot0.bin
    """
    with open_capture.capture(store_address, capture) as stored:
        capture_ref.trusted(stored)
        beside = capture_ref.beside_files(stored.manifest(), path)
        if beside is not None:
            target = to or Path(beside.name)
            got = extract.attachment(stored, beside, to=target)
            tables.got(got, f"{stored.board}/{stored.name}", target, consoles.console())
            return 0
        part, inside = capture_ref.locate(stored.manifest(), path)
        target = to or Path(path.rstrip("/").rpartition("/")[2] or stored.board)
        with assembled.opened_index(stored) as index:
            got = extract.extract(
                stored, index, part.number, extract.spelled(index, part, inside),
                to=target, damaged=damaged,
            )  # fmt: skip
        others = capture_ref.below(stored.manifest(), path) if path.startswith("/") else ()
    if others and target.is_dir():
        terminal.warn(
            f"note: {', '.join(others)} had file systems of their own, which are not in it: get "
            "them by these paths"
        )
    tables.got(got, f"{stored.board}/{stored.name}", target, consoles.console())
    return DegradedError.exit_code if got.damaged else 0
