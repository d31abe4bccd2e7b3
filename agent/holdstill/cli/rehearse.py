"""The command `holdstill rehearse`."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from holdstill.cli import completion, consoles, local_store, options, progress, tables
from holdstill.errors import UsageError, VerificationError
from holdstill.model.layout import Record
from holdstill.rehearse.rehearsal import DEADLINE, Rehearsal
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_ref, each_board, rehearse_capture
from holdstill.workflow.each_board import BoardTrouble

if TYPE_CHECKING:
    from holdstill.cli.consoles import Console


class RehearsalsOutput(Record, frozen=True, kw_only=True):
    """What `rehearse --json` prints of all boards: by BOARD/CAPTURE."""

    rehearsed: dict[str, Rehearsal]
    troubles: tuple[BoardTrouble, ...]


def _checked_sign(_: click.Context, __: click.Parameter, sign: str) -> str:
    """Return a regular expression, if it is one: a boot takes minutes until it is used."""
    try:
        re.compile(sign)
    except re.error as error:
        raise UsageError(
            f"--sign {sign!r} is no regular expression: {error}",
            hint="a plain text has a backslash before each of ( ) [ ] { } . * + ? ^ $ |",
        ) from error
    return sign


@click.command("rehearse", short_help="Boot a capture in an emulator.")
@click.argument(
    "capture",
    metavar="[BOARD[/CAPTURE]]",
    shell_complete=completion.captures,
    required=False,
    default="",
)
@click.option(
    "--log",
    type=click.Path(path_type=Path),
    help="Keep the console here, and beside it, as .png, a picture of the screen if it has one.",
)
@click.option(
    "--scratch",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("/var/tmp"),  # noqa: S108
    show_default=True,
    help="Where there is room for the scratch image.",
)
@click.option(
    "--seconds", type=click.FloatRange(min=1), default=DEADLINE, show_default=True,
    help="Time to boot.",
)  # fmt: skip
@click.option(
    "--sign", default="", callback=_checked_sign,
    help="Regular expression on the console that means success.",
)  # fmt: skip
@options.store_option
@options.json_option
def command(
    capture: str,
    *,
    log: Path | None,
    scratch: Path,
    seconds: float,
    sign: str,
    store_address: str | None,
    as_json: bool,
) -> int:
    r"""Rebuild a capture onto a scratch image and boot that in an emulator, without a network.

    Without BOARD the newest good capture of every board is rehearsed, one after the other; a board
    of which that cannot be done is told in a line, and the exit code is that of the worst.

    A success is noted in the board's ledger, and shown by `holdstill list`. The capture is not
    touched. A rehearsal cannot prove the board's own firmware, device overlays or real devices.

    \b
    Example:
      holdstill rehearse pier-3 --store /srv/holdstill
    """
    opened = local_store.opened(store_address)
    if not capture and log is not None:
        raise UsageError(
            "--log is the console of one board", hint="name the board, or leave it out"
        )

    def rehearsed(reference: str) -> Rehearsed:
        stored = capture_ref.trusted(capture_ref.find(opened, reference, runner=LocalRunner()))
        place = log or Path(f"{stored.board}-{stored.name}.console")
        with progress.reporting(consoles.console(is_error=True)) as reporter:
            found = rehearse_capture.rehearse(
                opened, stored, machine=LocalRunner(), clock=SystemClock(), progress=reporter,
                scratch=scratch, log=place, picture=place.with_suffix(".png"), deadline=seconds,
                sign=sign,
            )  # fmt: skip
        return Rehearsed(f"{stored.board}/{stored.name}", found)

    if capture:
        one = rehearsed(capture)
        if as_json:
            options.print_json(one.found)
        else:
            _tell(one, consoles.console())
        return one.exit_code
    each = each_board.do(opened, None, rehearsed)
    if as_json:
        shown = {one.name: one.found for one in each.results.values()}
        options.print_json(RehearsalsOutput(rehearsed=shown, troubles=each.troubles))
    else:
        for one in each.results.values():
            _tell(one, consoles.console())
        tables.troubles(each.troubles, consoles.console(is_error=True))
    return max(each.exit_code, *(one.exit_code for one in each.results.values()), 0)


class Rehearsed(NamedTuple):
    """A capture, BOARD/CAPTURE, and what came of it."""

    name: str
    found: Rehearsal

    @property
    def exit_code(self) -> int:
        """The exit code of this capture alone."""
        return 0 if self.found.booted else VerificationError.exit_code


def _tell(one: Rehearsed, out: Console) -> None:
    found = one.found
    verdict = "booted" if found.booted else "did NOT boot"
    out.print(f"{one.name} {verdict} ({found.way}, {found.seconds:.0f} s)")
    if found.broken is not None:
        out.print(f"what broke: {found.broken}")
    for remark in found.remarks:
        out.print(f"  {remark}")
    out.print("What this cannot prove:")
    for text in found.unproven:
        out.print(f"  {text}")
    out.print(f"Console: {found.log}")
    if found.picture:
        out.print(f"Screen: {found.picture}")
