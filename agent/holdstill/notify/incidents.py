"""What is worth telling: once when something begins to fail, once when it is good again. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.model.nightly import DEGRADED, SILENT, Kind, Trouble

if TYPE_CHECKING:
    from datetime import datetime

    from holdstill.model.nightly import Outcome


def judge(trouble: Trouble, outcome: Outcome) -> tuple[Trouble, Kind | None]:
    """Return the trouble after a run, and what kind of message it is worth.

    Each kind of failure is told once until a capture is sealed again; then that is told once.
    """
    if not outcome.is_sealed:
        return _told(trouble, outcome.code, outcome.at, Kind.FAILURE)
    if outcome.code == DEGRADED:
        lasting = Trouble(since=trouble.since or outcome.at, told=(DEGRADED,))
        if set(trouble.told) - {DEGRADED}:
            return lasting, Kind.RECOVERY
        return _told(trouble, DEGRADED, outcome.at, Kind.ATTENTION)
    return Trouble(), Kind.RECOVERY if trouble.told else None


def judge_silence(
    trouble: Trouble, *, quiet_since: datetime, now: datetime, days: int
) -> tuple[Trouble, Kind | None]:
    """Return the trouble when the last good capture was then, and whether to tell."""
    if (now - quiet_since).total_seconds() < days * 86_400:
        return trouble, None
    return _told(trouble, SILENT, f"{quiet_since:%Y-%m-%dT%H:%M:%SZ}", Kind.SILENCE)


def _told(trouble: Trouble, code: int, at: str, kind: Kind) -> tuple[Trouble, Kind | None]:
    if code in trouble.told:
        return trouble, None
    return Trouble(since=trouble.since or at, told=(*trouble.told, code)), kind
