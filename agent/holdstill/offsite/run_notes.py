"""How the last runs for an off-site copy went: STORE/offsite-runs.json, for whoever asks.

Needs nothing of the extra "offsite", so that `status` can read it wherever it is run.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import msgspec

from holdstill.model.layout import Record
from holdstill.system import clocks, files

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NAME = "offsite-runs.json"
PATIENCE = timedelta(days=1)
"""How long the network may be away without a word."""
_EACH = timedelta(hours=23)
"""A day, and less for timers that come a little earlier than the day before."""
_MOST = 10
_RUN = (
    "; what to do: see `systemctl status holdstill-keeper-offsite-upload.timer`, or run "
    "`holdstill offsite upload`"
)


class RunNotes(Record, frozen=True, kw_only=True):
    """What was noted.

    Attributes:
        is_new: whether no run has come to its end since the copy was set up.
        since: when the copy was set up, or everything was last off-site (RFC 3339).
        failed: why the last run broke off, "" if it did not; do: what to do about it.
        is_lasting: whether waiting mends it not: nothing of the network.
        left: captures that cannot be sent, each with why.
        newest: board to when its newest capture that is off-site arrived here.
        away: board to the captures that are off-site alone.
        checked_at: when `offsite verify` last looked, "" for never.
        findings: what it found missing, altered or not locked.
        part: which part of all it has read last, where it reads one at a time.
        kept_at: when a run last looked at all that is there: locks, what is lost, what may leave.
    """

    since: str
    is_new: bool = False
    failed: str = ""
    do: str = ""
    is_lasting: bool = False
    left: tuple[str, ...] = ()
    newest: dict[str, str] = msgspec.field(default_factory=dict)
    away: dict[str, tuple[str, ...]] = msgspec.field(default_factory=dict)
    checked_at: str = ""
    findings: tuple[str, ...] = ()
    part: int = 0
    kept_at: str = ""


def load(root: Path) -> RunNotes | None:
    """Return the notes of a store; None if it has no off-site copy.

    Notes that are damaged may have told of anything: that is a finding itself.
    """
    path = root / NAME
    try:
        return msgspec.json.decode(files.read_regular(path), type=RunNotes)
    except FileNotFoundError:
        return None
    except (OSError, msgspec.MsgspecError) as error:
        lost = (
            f"{path} cannot be read: {error}; what was found before is not known; what to do: "
            "`holdstill offsite verify` looks at all once more"
        )
        return RunNotes(since=clocks.rfc3339(datetime.fromtimestamp(0, UTC)), findings=(lost,))


def save(root: Path, notes: RunNotes) -> None:
    """Write them down."""
    files.publish(root / NAME, msgspec.json.encode(notes))


def change(root: Path, now: datetime, **changed: object) -> None:
    """Change some of the notes, alone; those that are not there begin now."""
    with files.alone_in(root):
        before = load(root) or RunNotes(since=clocks.rfc3339(now))
        save(root, msgspec.structs.replace(before, **changed))


def is_time_to_keep(root: Path, now: datetime) -> bool:
    """Return whether all that is there is to be looked at: once a day, and after any trouble."""
    notes = load(root)
    if notes is None or notes.is_new or notes.failed or notes.left or notes.findings:
        return True
    return not timedelta(0) <= now - _moment(notes.kept_at) < _EACH


def note_findings(root: Path, now: datetime, found: tuple[str, ...], *, part: int) -> None:
    """Note what was found missing, altered or not locked.

    Args:
        root: of the store.
        now: when.
        found: in words, each with what to do.
        part: which part of all was read; 0 for all. What another part has shown stays until all
            is read, or set up again.
    """
    with files.alone_in(root):
        before = load(root) or RunNotes(since=clocks.rfc3339(now))
        stays = tuple(dict.fromkeys((*before.findings, *found))) if part else found
        noted = msgspec.structs.replace(
            before, checked_at=clocks.rfc3339(now), findings=stays, part=part or before.part
        )
        save(root, noted)


def troubles(root: Path, now: datetime) -> Iterator[str]:
    """Yield what needs a look, in sentences."""
    notes = load(root)
    if notes is None:
        return
    is_late = now - _moment(notes.since) > PATIENCE
    do = f"; what to do: {notes.do}" if notes.do else ""
    if notes.is_new:
        failed = f": {notes.failed}{do}" if notes.failed else _RUN
        yield f"off-site: no upload has come to its end since it was set up, {notes.since}{failed}"
    elif notes.failed and (notes.is_lasting or is_late):
        yield f"off-site: not all is there since {notes.since}: {notes.failed}{do}"
    elif is_late:
        yield f"off-site: nothing was sent since {notes.since}{_RUN}"
    yield from (f"off-site: {text}" for text in notes.left[:_MOST])
    yield from (
        f"off-site: {text} (`holdstill offsite verify`, {notes.checked_at}); until all is read "
        "again and in order nothing leaves this store"
        for text in notes.findings[:_MOST]
    )


def _moment(text: str) -> datetime:
    """Read a moment; what is none is long ago."""
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        return datetime.min.replace(tzinfo=UTC)
