"""What a check of a card finds: differences from the capture, for people to read."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError, VerificationError
from holdstill.model import paths
from holdstill.model.entries import Entry, EntryType
from holdstill.model.layout import Record

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

SHOWN_MAX = 200
"""Differences that are listed; the rest is only counted."""


class CardDifference(Record, frozen=True, kw_only=True):
    """One way in which the card is not as it should be; all for people to read.

    Attributes:
        part: partition, 0 for the disk itself.
        path: the entry, "" for the file system.
    """

    part: int
    path: str
    field: str
    wanted: str
    found: str

    def __str__(self) -> str:
        where = f"partition {self.part}" if self.part else "disk"
        place = f"{where}, /{self.path}" if self.path else where
        if self.wanted == "present":
            return f"{place}: {self.field} is missing"
        if self.found == "present":
            return f"{place}: {self.field} is not in the capture"
        return f"{place}: {self.field} is {self.found}, not {self.wanted}"


class CardReport(Record, frozen=True, kw_only=True):
    """What the check found.

    Attributes:
        entries, files, content_bytes: what the capture has in the partitions that were checked.
        total: number of differences; `differences` has the first SHOWN_MAX of them.
        altered: wanted SHA-256, hexadecimal, and path of files among these with other bytes.
        unchecked: what could not be checked, and why.
    """

    entries: int
    files: int
    content_bytes: int
    total: int
    differences: tuple[CardDifference, ...] = ()
    altered: tuple[tuple[str, str], ...] = ()
    unchecked: tuple[str, ...] = ()

    @property
    def is_exact(self) -> bool:
        """Whether nothing differs in what was checked."""
        return self.total == 0

    def raise_if_different(self) -> None:
        """Raise VerificationError unless nothing differs."""
        if not self.is_exact:
            shown = "".join(f"\n  {difference}" for difference in self.differences[:10])
            raise VerificationError(
                f"the card differs from the capture in {self.total} places:{shown}",
                hint="write it again; if that does not help, the card is failing",
            )


class UnreadablePartError(Exception):
    """The rest of a partition cannot be read; that was recorded as a difference."""


@dataclass
class CardFindings:
    """Collects what one check finds.

    Attributes:
        total: number of differences; of `differences` there are SHOWN_MAX at most.
        entries, files, content_bytes: that the capture has.
    """

    total: int = 0
    differences: list[CardDifference] = field(default_factory=list)
    altered: list[tuple[str, str]] = field(default_factory=list)
    unchecked: list[str] = field(default_factory=list)
    entries: int = 0
    files: int = 0
    content_bytes: int = 0

    def note(self, part: int, path: bytes, name: str, pair: tuple[object, object]) -> None:
        """Record a difference: what was wanted, and what was found."""
        self.total += 1
        if len(self.differences) < SHOWN_MAX:
            wanted, found = (_shown(name, value) for value in pair)
            where = paths.display(path)
            if name == "digest" and path:
                self.altered.append((wanted, where))
            self.differences.append(
                CardDifference(part=part, path=where, field=name, wanted=wanted, found=found)
            )

    def leave_unchecked(self, what: str) -> None:
        """Record, once, what was not checked."""
        if what not in self.unchecked:
            self.unchecked.append(what)

    def compare(self, part: int, names: Iterable[str], wanted: Record, found: Record) -> None:
        """Record every named field in which two records differ."""
        for name in names:
            pair = getattr(wanted, name), getattr(found, name)
            if pair[0] != pair[1]:
                self.note(part, b"", name, pair)

    def counted(self, entries: Iterable[Entry]) -> Iterator[Entry]:
        """Count entries as they pass."""
        for entry in entries:
            self.entries += 1
            self.files += entry.type is EntryType.FILE
            self.content_bytes += entry.size
            yield entry

    @contextmanager
    def reading(self, number: int) -> Iterator[None]:
        """Record what cannot be read of a partition as a difference.

        Raises:
            UnreadablePartError: the rest of the partition is to be skipped.
        """
        try:
            yield
        except (HoldstillError, OSError, EOFError) as error:
            self.note(number, b"", "readable", ("true", f"false: {error}"))
            raise UnreadablePartError from error

    def report(self) -> CardReport:
        """Return the findings."""
        return CardReport(
            entries=self.entries,
            files=self.files,
            content_bytes=self.content_bytes,
            total=self.total,
            differences=tuple(self.differences),
            altered=tuple(self.altered),
            unchecked=tuple(self.unchecked),
        )


def _shown(name: str, value: object) -> str:
    """Write a value for people."""
    match value:
        case bytes():
            return (value.hex() or "none") if name == "digest" else repr(paths.display(value))
        case int() if name == "mode":
            return f"{value:04o}"
        case int() if name in {"flags", "media", "volume_id"}:
            return f"{value:#x}"
        case dict():
            pairs = (f"{key}={content.hex()}" for key, content in sorted(value.items()))
            return ", ".join(pairs) or "none"
        case EntryType():
            return value.name.lower()
        case _:
            return str(value)
