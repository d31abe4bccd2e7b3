"""The command `holdstill audit`."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import click

from holdstill.cli import consoles, options, progress
from holdstill.errors import UsageError, VerificationError
from holdstill.model import sizes
from holdstill.model.sizes import counted, human
from holdstill.system.clocks import SystemClock
from holdstill.verify.reread import RereadBudget
from holdstill.workflow import audit

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.workflow.audit import AuditRange


@click.command("audit", short_help="Re-read the card and find silent damage.")
@click.option(
    "--budget",
    default="0",
    show_default=True,
    help="Stop after so much: bytes such as 2G, or minutes such as 30min; 0 is the whole card.",
)
@click.option("--rate", default="0", help="Most bytes a second, such as 5M; 0 is no limit.")
@options.settings_option(options.BOARD_SETTINGS)
@options.json_option
def command(budget: str, rate: str, settings_path: Path, *, as_json: bool) -> int:
    r"""Read unchanged files of this card again and compare them with the last capture.

    Finds what no other program would notice: files that have other bytes although nobody wrote
    to them. A run goes on where the last one stopped, gives way to everything else, and is to be
    repeated night after night. Exit code 7 means that something was found; each file is named
    with the command that takes its good copy out of the store, and files of 16 MiB and more with
    the pieces of 64 KiB that are bad.

    \b
    Examples:
      holdstill audit --budget 30min
      holdstill audit --budget 2G --rate 5M --json
    """
    settings = options.read_board_settings(settings_path)
    with progress.reporting(consoles.console(is_error=True)) as reporter:
        report = audit.audit(
            settings, budget=_budget(budget), rate=sizes.parse_size(rate, "--rate"),
            clock=SystemClock(), progress=reporter,
        )  # fmt: skip
    if as_json:
        options.print_json(report)
    else:
        out = consoles.console()
        out.print(
            f"{counted(report.files, 'file')} ({human(report.bytes)}) read again and compared "
            f"with {report.capture}; {report.changed:,} changed since (not compared)"
        )
        if report.is_whole_pass:
            out.print("The end of the card was reached; the next run begins again")
        for text in report.unchecked:
            out.print(f"not audited: {text}")
        if report.stopped:
            out.print(f"note: {report.stopped}")
        for damage in report.damages:
            out.print(f"DAMAGED {damage.path}: {damage.problem}", style="red")
            for bad in damage.ranges:
                out.print(f"  {_told(bad)}")
            if damage.more:
                out.print(f"  and {damage.more:,} more such ranges")
            out.print(f"  the good copy, here or at the keeper: {damage.fetch}")
        if report.damages:
            out.print("A card that loses bytes goes on losing them: replace it")
    return VerificationError.exit_code if report.damages else 0


def _told(bad: AuditRange) -> str:
    place = f" (byte {bad.disk_byte:,} of {bad.disk})" if bad.disk_byte >= 0 else ""
    error = ": a read error" if bad.is_unreadable else ""
    return f"{human(bad.length)} at byte {bad.offset:,}{place}{error}"


_MINUTES = re.compile(r"(\d+(?:\.\d+)?)\s*min", re.ASCII)


def _budget(text: str) -> RereadBudget:
    minutes = _MINUTES.fullmatch(text.strip())
    if minutes is not None:
        return RereadBudget(seconds=float(minutes[1]) * 60)
    try:
        return RereadBudget(bytes=sizes.parse_size(text))
    except UsageError as error:
        raise UsageError(
            f"--budget {text!r} is neither a size nor a time",
            hint="write bytes, such as 2G, or minutes, such as 30min; 0 is the whole card",
        ) from error
