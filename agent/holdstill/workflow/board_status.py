"""The status of a board: its daemon, its last runs, what is due next."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.board import card_history, card_trend
from holdstill.board.health_report import Urgency
from holdstill.model.finding import serious
from holdstill.model.layout import Record
from holdstill.model.nightly_state import DEGRADED, SILENT, DaemonStatus, NightlyState, RunOutcome
from holdstill.notify import messages
from holdstill.schedule import due_nights, state_file
from holdstill.system import clocks
from holdstill.workflow import board_state, line_report
from holdstill.workflow.line_report import LineReport

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime, tzinfo
    from pathlib import Path

    from holdstill.model.settings import BoardSettings

_DAY = 86_400.0


class StatusFinding(Record, frozen=True, kw_only=True):
    """Something that needs attention, with the exit code of its kind."""

    code: int
    text: str


class BoardStatus(Record, frozen=True, kw_only=True):
    """The status of a board.

    Attributes:
        is_running: whether the daemon is.
        live: what it shows; None when it is not running.
        due: when the next run is due (RFC 3339); "" while the clock cannot be trusted.
        sealed_at: when the last capture was sealed, by whomever; "" for never.
        last, good: the daemon's last run, and the last one that sealed.
        line: what is known of the line to the keeper; None where that is a directory.
        card: how the card does, compared with earlier captures.
        unsent: messages that could not be delivered yet.
        findings: what is not as it should be, the gravest first.
    """

    board: str
    keeper: str
    is_running: bool
    live: DaemonStatus | None
    due: str
    sealed_at: str
    last: RunOutcome | None
    good: RunOutcome | None
    line: LineReport | None
    card: str
    unsent: int
    findings: tuple[StatusFinding, ...]

    @property
    def code(self) -> int:
        """The exit code that sums it up: 0 if all is well."""
        return self.findings[0].code if self.findings else 0


def read_status(
    settings: BoardSettings, *, place: Path, now: datetime, zone: tzinfo, complaint: str = ""
) -> BoardStatus:
    """Read the status of the board. Changes nothing.

    Args:
        settings: the board's.
        place: the directory in memory that the daemon uses.
        now: the moment.
        zone: the board's time zone.
        complaint: why messages cannot be sent, or not to all.
    """
    state = settings.state
    kept = state_file.NightlyStateFile(state).load()
    is_running = state_file.is_held(place)
    live = state_file.LiveStatusFile(place).read() if is_running else None
    sealed_at = board_state.sealed_at(state)
    card = card_history.judge(card_trend.load(state))
    card_findings = tuple(
        StatusFinding(code=DEGRADED, text=advice.text)
        for advice in card.advice
        if advice.urgency is not Urgency.NOTE
    )
    return BoardStatus(
        board=settings.board,
        keeper=str(settings.keeper),
        is_running=is_running,
        live=live,
        due=live.due if live else clocks.rfc3339(due_nights.rule_of(settings).next_due(now, zone)),
        sealed_at=clocks.rfc3339(sealed_at) if sealed_at else "",
        last=kept.last,
        good=kept.good,
        line=line_report.read(settings, now.astimezone(zone)),
        card=card.words,
        unsent=len(kept.outbox),
        findings=(
            *_by_hand(state),
            *_findings(
                kept, sealed_at, is_running=is_running, limit=settings.notify.silent_days, now=now
            ),
            *_of_last_capture(state, told=kept.last.warnings if kept.last else ()),
            *card_findings,
            *(
                StatusFinding(code=DEGRADED, text=text)
                for text in (messages.undelivered(len(kept.outbox)), complaint)
                if text
            ),
        ),
    )


def _by_hand(state: Path) -> Iterator[StatusFinding]:
    """Yield that the last capture which somebody asked for failed, if none was sealed since."""
    failed = board_state.failure(state)
    if failed is not None:
        do = f"; what to do: {failed.hint}" if failed.hint else ""
        text = f"the capture of {failed.at} failed: {failed.what}{do}"
        yield StatusFinding(code=failed.code, text=text)


def _of_last_capture(state: Path, *, told: tuple[str, ...]) -> Iterator[StatusFinding]:
    """Yield what the last sealed capture lacks, or cannot be rebuilt of it, but what was told."""
    manifest = board_state.BoardState(state).manifest()
    for finding in serious(manifest.findings) if manifest else ():
        if finding.sentence not in told:
            yield StatusFinding(code=DEGRADED, text=finding.sentence)


def _findings(
    kept: NightlyState, sealed_at: datetime | None, *, is_running: bool, limit: int, now: datetime
) -> tuple[StatusFinding, ...]:
    found = []
    if kept.last is not None and not kept.last.is_sealed and not kept.last.is_unfinished:
        found.append(
            StatusFinding(code=kept.last.code, text=f"the last run failed: {kept.last.what}")
        )
    if not is_running:
        text = "the daemon is not running: nothing is captured by itself"
        found.append(StatusFinding(code=DEGRADED, text=text))
    since = sealed_at or due_nights.moment(kept.begun)
    days = (now - since).total_seconds() / _DAY if since else 0.0
    if days >= limit or SILENT in kept.trouble.reported:
        found.append(StatusFinding(code=DEGRADED, text=f"no good capture for {days:.1f} days"))
    if kept.last is not None and kept.last.code == DEGRADED:
        found += [StatusFinding(code=DEGRADED, text=warning) for warning in kept.last.warnings]
    return tuple(found)
