"""The command `holdstill rehearse`."""

from __future__ import annotations

from pathlib import Path

import click

from holdstill.cli import open_capture, options, progress, terminal
from holdstill.errors import VerificationError
from holdstill.rehearse.rehearsal import DEADLINE
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_ref, rehearse_capture


@click.command("rehearse", short_help="Boot a capture in an emulator.")
@click.argument("capture", metavar="BOARD[/CAPTURE]")
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
@click.option("--seconds", type=float, default=DEADLINE, show_default=True, help="Time to boot.")
@click.option("--sign", default="", help="Regular expression on the console that means success.")
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

    A success is noted in the board's ledger, and shown by `holdstill list`. The capture is not
    touched. A rehearsal cannot prove the board's own firmware, device overlays or real devices.

    \b
    Example:
      holdstill rehearse pier-3 --store /srv/holdstill
    """
    opened = open_capture.open_local(store_address)
    stored = capture_ref.trusted(capture_ref.find(opened, capture, runner=LocalRunner()))
    place = log or Path(f"{stored.board}-{stored.name}.console")
    with progress.reporting(terminal.console(is_error=True)) as reporter:
        found = rehearse_capture.rehearse(
            opened, stored, machine=LocalRunner(), clock=SystemClock(), progress=reporter,
            scratch=scratch, log=place, picture=place.with_suffix(".png"), deadline=seconds,
            sign=sign,
        )  # fmt: skip
    if as_json:
        options.print_json(found)
    else:
        name = f"{stored.board}/{stored.name}"
        out = terminal.console()
        verdict = "booted" if found.booted else "did NOT boot"
        out.print(f"{name} {verdict} ({found.way}, {found.seconds:.0f} s)")
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
    return 0 if found.booted else VerificationError.exit_code
