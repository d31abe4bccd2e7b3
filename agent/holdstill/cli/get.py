"""The command `holdstill get`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import completion, consoles, open_capture, options, tables, terminal
from holdstill.errors import DegradedError
from holdstill.model import paths
from holdstill.model.layout import Record
from holdstill.records import assembled
from holdstill.workflow import capture_ref, extract
from holdstill.workflow.extract import DamagePolicy

if TYPE_CHECKING:
    from holdstill.workflow.extract import Extracted


class GetOutput(Record, frozen=True, kw_only=True):
    """What `get --json` prints: where, and what of it; paths as they are shown."""

    capture: str
    to: str
    files: int
    size: int
    skipped: tuple[tuple[str, str], ...]
    damaged: tuple[str, ...]


@click.command("get", short_help="Extract a file or folder from a capture.")
@click.argument("capture", metavar="BOARD[/CAPTURE]", shell_complete=completion.captures)
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
@options.json_option
def command(
    capture: str,
    path: str,
    *,
    to: Path | None,
    damaged: DamagePolicy,
    store_address: str | None,
    as_json: bool,
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
            _show(got, f"{stored.board}/{stored.name}", target, as_json=as_json)
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
    _show(got, f"{stored.board}/{stored.name}", target, as_json=as_json)
    return DegradedError.exit_code if got.damaged else 0


def _show(got: Extracted, capture: str, target: Path, *, as_json: bool) -> None:
    if not as_json:
        tables.got(got, capture, target, consoles.console())
        return
    options.print_json(
        GetOutput(
            capture=capture, to=paths.display(os.fsencode(target)), files=got.files,
            size=got.size,
            skipped=tuple((f"/{paths.display(path)}", why) for path, why in got.skipped),
            damaged=tuple(f"/{paths.display(path)}" for path in got.damaged),
        )
    )  # fmt: skip
