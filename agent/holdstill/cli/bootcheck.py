"""The command `holdstill bootcheck`."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import consoles, open_capture, options, tables
from holdstill.errors import DegradedError, UsageError, VerificationError
from holdstill.model.boot import BootVerdict
from holdstill.model.finding import Finding, serious
from holdstill.model.layout import Record
from holdstill.rebuild import bootcheck as boot
from holdstill.rebuild.boot import card as cards
from holdstill.rebuild.boot.report import Chain, ChainLink
from holdstill.system import byte_source
from holdstill.workflow import judge_boot

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.rebuild.boot.card import BootCard
    from holdstill.rebuild.boot.report import BootReport
    from holdstill.system.byte_source import OpenFile


class BootcheckOutput(Record, frozen=True, kw_only=True):
    """What `bootcheck --json` prints; findings are those of a capture."""

    chains: tuple[Chain, ...]
    system: tuple[ChainLink, ...]
    verdict: BootVerdict
    findings: tuple[Finding, ...]


@click.command("bootcheck", short_help="Check the boot chain of a card or capture.")
@click.argument("targets", metavar="TARGET...", nargs=-1, required=True)
@click.option("--model", default="", help="The board's model, where several firmwares are there.")
@options.store_option
@options.access_options
@options.json_option
def command(
    targets: tuple[str, ...], *, model: str, store_address: str | None, as_json: bool
) -> int:
    r"""Follow the boot chain of a finished card or image, link by link. Reads only.

    TARGET is a card or an image; of a board with several disks, all of them, the one that it boots
    from first. Or it is a capture, BOARD or BOARD/CAPTURE: then the card is judged that would be
    made of it, and what the capture lacks is told.

    Ends with exit code 7 when the card cannot boot as it is, with 8 when it may and a capture
    lacks something, or nothing on it is known to boot. What only the board itself can decide, and
    what is on a file system that only the kernel reads, is reported as unknown, which is no
    failure.

    \b
    Examples:
      holdstill bootcheck pier-3.img
      holdstill bootcheck pier-3/000042
    """
    findings: tuple[Finding, ...] = ()
    if len(targets) == 1 and _is_reference(targets[0]):
        with open_capture.capture(store_address, targets[0]) as stored:
            report, findings = judge_boot.follow(stored), stored.manifest().findings
    else:
        report = _of_disks([Path(target) for target in targets], model=model)
    if as_json:
        options.print_json(
            BootcheckOutput(
                chains=report.chains,
                system=report.system,
                verdict=report.verdict_of_card,
                findings=findings,
            )
        )
    else:
        out = consoles.console()
        for line in report.lines():
            out.print(line)
        tables.findings(findings, out)
    if report.verdict_of_card is BootVerdict.BROKEN:
        return VerificationError.exit_code
    is_doubtful = bool(serious(findings)) or not report.chains
    return DegradedError.exit_code if is_doubtful else 0


def _is_reference(target: str) -> bool:
    """Whether a word names a capture, and no file that is there, or that should be."""
    path = Path(target)
    return not (path.exists() or path.suffix or path.is_absolute())


def _read(path: Path, source: OpenFile) -> BootCard:
    with byte_source.named(path):
        return cards.read_card(source)


def _of_disks(paths: Sequence[Path], *, model: str) -> BootReport:
    with ExitStack() as undo:
        opened = []
        for path in paths:
            if not path.exists():
                raise UsageError(f"there is no {path}", hint="name a card, an image or a capture")
            byte_source.check_plain(path)
            opened.append(undo.enter_context(byte_source.opened(path)))
        first, *others = (_read(path, source) for path, source in zip(paths, opened, strict=True))
        for place, other in enumerate(others, start=2):
            first = first.with_disk(other, place)
        return boot.judge(first, model=model)
