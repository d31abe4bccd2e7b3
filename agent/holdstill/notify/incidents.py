"""What is worth a message: the begin of a failure and its end, once each. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.model.nightly_state import DEGRADED, SILENT, Incident, MessageKind

if TYPE_CHECKING:
    from datetime import datetime

    from holdstill.model.nightly_state import RunOutcome


def judge(trouble: Incident, outcome: RunOutcome) -> tuple[Incident, MessageKind | None]:
    """Return the trouble after a run, and what kind of message it is worth.

    Each kind of failure is reported once until a capture is sealed again; then that is reported.
    A night that was too short is none: days without a capture are told as silence.
    """
    if outcome.is_unfinished:
        return trouble, None
    if not outcome.is_sealed:
        return _told(trouble, outcome.code, outcome.at, MessageKind.FAILURE)
    if outcome.code == DEGRADED:
        lasting = Incident(since=trouble.since or outcome.at, reported=(DEGRADED,))
        if set(trouble.reported) - {DEGRADED}:
            return lasting, MessageKind.RECOVERY
        return _told(trouble, DEGRADED, outcome.at, MessageKind.ATTENTION)
    return Incident(), MessageKind.RECOVERY if trouble.reported else None


def judge_silence(
    trouble: Incident, *, quiet_since: datetime, now: datetime, days: int
) -> tuple[Incident, MessageKind | None]:
    """Return the incident for a last good capture of that date, and whether to report it."""
    if (now - quiet_since).total_seconds() < days * 86_400:
        return trouble, None
    return _told(trouble, SILENT, f"{quiet_since:%Y-%m-%dT%H:%M:%SZ}", MessageKind.SILENCE)


def _told(
    trouble: Incident, code: int, at: str, kind: MessageKind
) -> tuple[Incident, MessageKind | None]:
    if code in trouble.reported:
        return trouble, None
    return Incident(since=trouble.since or at, reported=(*trouble.reported, code)), kind
