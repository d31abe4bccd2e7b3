"""The ledger: the keeper's own record of a board's captures, one JSON line an event.

Every line holds the SHA-256 of the line before it, so that a line that was altered, taken out
or moved shows. The board signs what it captured; the ledger records what arrived, when by the
keeper's clock, and in which order: withdrawn, re-ordered, rolled-back and foreign captures
show when the two are compared.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import SecurityError
from holdstill.model.boot import BootFinding
from holdstill.model.layout import Record
from holdstill.model.protocol import CaptureBrief
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.keeper.store_disk import StoreDisk


class SealedEvent(Record, frozen=True, kw_only=True, tag_field="event", tag="sealed"):
    """A capture was sealed.

    Attributes:
        brief: its facts as they were read from the manifest.
        run: the run that made it.
        signature: SHA-256 of the signature of its manifest.
        previous: SHA-256 of the manifest that it names as the one before.
        recovered: whether this line was written after an interruption.
        taken_in: whether the owner took the capture in again, which the ledger had lost or
            forgotten: what came before it may be gone.
        contents, content_sum: number and sum (`references.ContentSum`) of the contents that
            its index names.
    """

    brief: CaptureBrief
    run: str
    signature: str
    previous: str
    recovered: bool = False
    taken_in: bool = False
    contents: int = 0
    content_sum: int = 0


class ThinnedEvent(Record, frozen=True, kw_only=True, tag_field="event", tag="thinned"):
    """Captures were deleted by the owner's retention. Written before the deletion."""

    captures: tuple[str, ...]


class ForgottenEvent(Record, frozen=True, kw_only=True, tag_field="event", tag="forgotten"):
    """Captures are gone, and their owner expects them no more."""

    captures: tuple[str, ...]


class VerifiedEvent(Record, frozen=True, kw_only=True, tag_field="event", tag="verified"):
    """All contents of these captures were hashed again and were right.

    Attributes:
        captures: for each, when that of its contents was read whose last reading is the longest
            ago (RFC 3339).
    """

    captures: dict[str, str]


class DamagedEvent(Record, frozen=True, kw_only=True, tag_field="event", tag="damaged"):
    """Some content of these captures was hashed again and was wrong, or could not be read."""

    captures: tuple[str, ...]


class UnreadEvent(Record, frozen=True, kw_only=True, tag_field="event", tag="unread"):
    """Some content of these captures could not be read for a reason of this machine or user."""

    captures: tuple[str, ...]


class BootedEvent(Record, frozen=True, kw_only=True, tag_field="event", tag="booted"):
    """A rehearsal booted this capture."""

    capture: str


class JudgedEvent(Record, frozen=True, kw_only=True, tag_field="event", tag="judged"):
    """It was judged whether a card made of this capture would boot."""

    capture: str
    finding: BootFinding


class PinnedEvent(Record, frozen=True, kw_only=True, tag_field="event", tag="pinned"):
    """The owner wants this capture kept whatever retention says."""

    capture: str


class UnpinnedEvent(Record, frozen=True, kw_only=True, tag_field="event", tag="unpinned"):
    """Retention may decide about this capture again."""

    capture: str


class NotedEvent(Record, frozen=True, kw_only=True, tag_field="event", tag="noted"):
    """The owner noted something about this capture; "" takes a note back."""

    capture: str
    text: str


class AcceptedEvent(Record, frozen=True, kw_only=True, tag_field="event", tag="accepted"):
    """The owner has accepted what was wrong with the ledger up to here.

    Attributes:
        breaks: the marks (`Ledger.breaks`) of the lines at which something was; what goes wrong
            later, with these lines or others, was not accepted.
    """

    reason: str
    breaks: tuple[str, ...] = ()


Event = (
    SealedEvent
    | ThinnedEvent
    | ForgottenEvent
    | VerifiedEvent
    | DamagedEvent
    | UnreadEvent
    | BootedEvent
    | JudgedEvent
    | PinnedEvent
    | UnpinnedEvent
    | NotedEvent
    | AcceptedEvent
)


class Line(Record, frozen=True, kw_only=True):
    """One line.

    Attributes:
        before: SHA-256 of the previous line's bytes, "" in the first.
        check: of this line itself: nothing vouches for the last line yet. It is of the bytes
            as stored, so that a later version with more fields verifies it, too.
    """

    number: int
    before: str
    at: str
    entry: Event
    check: str = ""

    def encoded(self) -> bytes:
        """Return its bytes, with their check, and a newline."""
        plain = msgspec.json.encode(self)
        return plain.removesuffix(_UNCHECKED) + b'"%b"}\n' % _check(plain).encode()


_UNCHECKED = b'""}'
"""How a line ends that has no check yet: `check` is its last field."""


def _check(plain: bytes) -> str:
    return hashlib.sha256(plain).hexdigest()[:16]


@dataclass(frozen=True)
class Ledger:
    """A ledger as read.

    Attributes:
        lines: those that could be read.
        positions: where each of these stands, from 1; its number is what it says itself.
        last_hash: what the next line must name as the one before.
        next_number: the number that the next line gets.
        faults: what is wrong with the chain, each with the line it was found at.
        breaks: of each line with a fault, the mark by which it is known again: made of the line
            and all that stands before it.
        accepted_at: where the line stands with which the owner last accepted what was wrong.
        sound_bytes: how much of the file is whole lines.
        torn: whether the rest of a cut-off line follows them.
    """

    lines: tuple[Line, ...] = ()
    positions: tuple[int, ...] = ()
    last_hash: str = ""
    next_number: int = 1
    faults: tuple[tuple[int, str], ...] = ()
    breaks: dict[int, str] = field(default_factory=dict)
    accepted_at: int = 0
    sound_bytes: int = 0
    torn: bool = False

    @cached_property
    def _sealed(self) -> list[tuple[int, SealedEvent]]:
        """The events of `sealed`, each with the position of its line."""
        found: dict[str, tuple[int, SealedEvent]] = {}
        for position, line in zip(self.positions, self.lines, strict=True):
            event = line.entry
            # One that was taken in again counts from there on; a line that is there twice, once.
            if isinstance(event, SealedEvent) and (
                event.taken_in or event.brief.name not in found
            ):
                found[event.brief.name] = (position, event)
        kept = list(found.values())
        if any(event.taken_in for _, event in kept):
            kept.sort(key=lambda each: each[1].brief.seq)
        return kept

    @cached_property
    def sealed(self) -> tuple[SealedEvent, ...]:
        """Everything that was ever sealed, oldest first."""
        return tuple(event for _, event in self._sealed)

    @cached_property
    def sealed_at(self) -> tuple[int, ...]:
        """The positions of the lines that `sealed` stands in."""
        return tuple(position for position, _ in self._sealed)

    @cached_property
    def thinned(self) -> frozenset[str]:
        """Names of captures that are not expected to be there: deleted, or forgotten."""
        return self.deleted | self.forgotten

    @cached_property
    def deleted(self) -> frozenset[str]:
        """Names of captures that retention deleted, and that did not come back."""
        return self._given_up(ThinnedEvent)

    @cached_property
    def forgotten(self) -> frozenset[str]:
        """Names of captures that are gone, as their owner knows, and did not come back."""
        return self._given_up(ForgottenEvent)

    def _given_up(self, kind: type[ThinnedEvent | ForgottenEvent]) -> frozenset[str]:
        """Return the captures that events of this kind name, but for those taken in since."""
        found: set[str] = set()
        for line in self.lines:
            if isinstance(line.entry, kind):
                found.update(line.entry.captures)
            elif isinstance(line.entry, SealedEvent):
                found.discard(line.entry.brief.name)
        return frozenset(found)

    @cached_property
    def pinned(self) -> frozenset[str]:
        """Names of captures that are pinned now."""
        host_keys: set[str] = set()
        for line in self.lines:
            if isinstance(line.entry, PinnedEvent):
                host_keys.add(line.entry.capture)
            elif isinstance(line.entry, UnpinnedEvent):
                host_keys.discard(line.entry.capture)
        return frozenset(host_keys)

    @cached_property
    def notes(self) -> dict[str, str]:
        """What the owner noted last about each capture."""
        return {
            line.entry.capture: line.entry.text
            for line in self.lines
            if isinstance(line.entry, NotedEvent)
        }

    @cached_property
    def last_sealed(self) -> SealedEvent | None:
        """The newest capture that was sealed, deleted or not."""
        return max(self.sealed, key=lambda event: event.brief.seq, default=None)

    @cached_property
    def open_faults(self) -> tuple[tuple[int, str], ...]:
        """The faults that the owner has not accepted."""
        accepted = {
            mark
            for line in self.lines
            if isinstance(line.entry, AcceptedEvent)
            for mark in line.entry.breaks
        }
        return tuple(fault for fault in self.faults if self.breaks[fault[0]] not in accepted)

    @cached_property
    def verified_at(self) -> dict[str, str]:
        """Since when no content of a capture was left unread."""
        return {
            name: since
            for line in self.lines
            if isinstance(line.entry, VerifiedEvent)
            for name, since in line.entry.captures.items()
        }

    @cached_property
    def damaged_at(self) -> dict[str, str]:
        """Since when each capture is known to have damaged contents."""
        return self._until_verified(DamagedEvent)

    @cached_property
    def unread_at(self) -> dict[str, str]:
        """Since when each capture has contents that could not be read, and were not since."""
        return self._until_verified(UnreadEvent)

    def _until_verified(self, kind: type[DamagedEvent | UnreadEvent]) -> dict[str, str]:
        """Return when events of this kind first named each capture that was not verified since."""
        found: dict[str, str] = {}
        for line in self.lines:
            if isinstance(line.entry, kind):
                for name in line.entry.captures:
                    found.setdefault(name, line.at)
            elif isinstance(line.entry, VerifiedEvent):
                for name in line.entry.captures:
                    found.pop(name, None)
        return found

    @cached_property
    def boot(self) -> dict[str, BootFinding]:
        """Whether a card made of each capture would boot, of those that were judged."""
        return {
            line.entry.capture: line.entry.finding
            for line in self.lines
            if isinstance(line.entry, JudgedEvent)
        }

    @cached_property
    def booted_at(self) -> dict[str, str]:
        """When each capture last booted in a rehearsal."""
        return {
            line.entry.capture: line.at
            for line in self.lines
            if isinstance(line.entry, BootedEvent)
        }

    def check_sound(self, where: Path) -> None:
        """Refuse to build on a chain that is broken.

        Raises:
            SecurityError: naming the lines.
        """
        if self.open_faults:
            lines = "; ".join(f"line {number}: {what}" for number, what in self.open_faults[:5])
            raise SecurityError(
                f"{where}: the chain is broken: {lines}",
                hint="nothing was changed. Find out who or what altered it; then `holdstill "
                "keeper accept STORE BOARD --reason ...` goes on from here",
            )


class _LedgerParser:
    """Follows the chain line by line."""

    def __init__(self) -> None:
        self.lines: list[Line] = []
        self.positions: list[int] = []
        self.faults: list[tuple[int, str]] = []
        self.before = ""
        self.expected = 1
        self._chain = hashlib.sha256()
        self._marks: list[str] = []
        self.accepted_at = 0

    def breaks(self) -> dict[int, str]:
        """Return the marks of the lines that have a fault."""
        return {position: self._marks[position - 1] for position, _ in self.faults}

    def take(self, position: int, raw: bytes) -> None:
        """Read one line without its newline."""
        try:
            line = msgspec.json.decode(raw, type=Line)
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
            self.faults.append((position, f"it cannot be read: {error}"))
            self.expected += 1
        else:
            self._follow(position, line, raw)
        self.before = hashlib.sha256(raw + b"\n").hexdigest()
        self._chain.update(self.before.encode())
        self._marks.append(self._chain.hexdigest()[:16])

    def _follow(self, position: int, line: Line, raw: bytes) -> None:
        ending = b'"%b"}' % line.check.encode()
        plain = raw.removesuffix(ending) + _UNCHECKED
        if not raw.endswith(ending) or line.check != _check(plain):
            # Nothing that it says can be relied on.
            self.faults.append((position, "its checksum is wrong"))
            self.expected += 1
            return
        if line.number != self.expected:
            self.faults.append((position, f"number {line.number} where {self.expected} is due"))
        if line.before != self.before:
            self.faults.append((position, "it does not follow from the line before it"))
        if isinstance(line.entry, AcceptedEvent):
            self.accepted_at = position
        self.expected = line.number + 1
        self.lines.append(line)
        self.positions.append(position)


@lru_cache(maxsize=1)  # who looks at a board reads its ledger several times in a row
def parse(data: bytes) -> Ledger:
    """Read a ledger's bytes; pure."""
    whole, newline, rest = data.rpartition(b"\n")
    reader = _LedgerParser()
    for position, raw in enumerate(whole.split(b"\n") if newline else [], start=1):
        reader.take(position, raw)
    return Ledger(
        lines=tuple(reader.lines),
        positions=tuple(reader.positions),
        last_hash=reader.before,
        next_number=reader.expected,
        faults=tuple(reader.faults),
        breaks=reader.breaks(),
        accepted_at=reader.accepted_at,
        sound_bytes=len(whole) + len(newline),
        torn=bool(rest),
    )


def next_lines(ledger: Ledger, events: Iterable[Event], *, at: str) -> bytes:
    """Return the bytes to append for these events; pure."""
    total, before = b"", ledger.last_hash
    for number, event in enumerate(events, start=ledger.next_number):
        raw = Line(number=number, before=before, at=at, entry=event).encoded()
        before = hashlib.sha256(raw).hexdigest()
        total += raw
    return total


@dataclass(frozen=True)
class LedgerFile:
    """The file ledger.jsonl: appended under an exclusive lock, read under a shared one.

    Attributes:
        is_waiting: whether a reader waits for who publishes or deletes captures. One that does
            not may be told of a capture that is just coming or going as if something were wrong
            with it.
    """

    path: Path
    is_waiting: bool = True

    def read(self) -> Ledger:
        """Read it without holding it."""
        return parse(files.read_regular(self.path))

    @contextmanager
    def held_for_reading(self) -> Iterator[Ledger]:
        """Keep captures from being added or deleted while the block reads them.

        A ledger that is gone reads as an empty one: no capture is in it, which is a fault of each.
        """
        if not self.path.exists():
            yield parse(b"")
            return
        no_wait = os.O_RDONLY | os.O_NONBLOCK  # somebody may have put a pipe there
        with files.opened(self.path, no_wait) as handle:
            if self.is_waiting:
                fcntl.flock(handle, fcntl.LOCK_SH)
            yield self.read()

    @contextmanager
    def held_for_writing(self, disk: StoreDisk) -> Iterator[Ledger]:
        """Be the only one who publishes or deletes; a line that was cut off is taken away."""
        with files.opened(self.path, os.O_RDWR) as handle:
            fcntl.flock(handle, fcntl.LOCK_EX)
            ledger = self.read()
            if ledger.torn:  # never acknowledged to anybody
                disk.truncate(self.path, ledger.sound_bytes)
                ledger = self.read()
            yield ledger

    def append(self, ledger: Ledger, events: Iterable[Event], *, at: str, disk: StoreDisk) -> None:
        """Write events behind what was read; the caller holds the file for writing."""
        disk.append(self.path, next_lines(ledger, events, at=at))
        disk.sync_file(self.path)
