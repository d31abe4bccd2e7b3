"""What changed between two captures, or between a capture and the running board.

Entries are compared as two streams in key order, so memory stays flat however large the trees
are. On the running board only files are read that are not what they were: an inode with the
same number, change time and size has the content that it had.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from holdstill.model import entries as model_entries
from holdstill.model import paths, sizes
from holdstill.model.entries import COMPARED, Entry, EntryType, Omitted
from holdstill.model.layout import Record
from holdstill.workflow import dpkg_status

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from holdstill.model.layout import Disk, FileSystem
    from holdstill.workflow.compare_sources import CompareSource, SourcePart

LISTED = 200
"""Changes of one partition that are listed unless more are asked for."""


class ChangeKind(StrEnum):
    """What happened to an entry."""

    ADDED = "added"
    REMOVED = "removed"
    CONTENT = "content"
    """Other bytes, another symlink target, or another type of entry."""
    METADATA = "metadata"
    """Owner, mode, attributes or flags; the content is the same."""
    TIME = "time"
    """Nothing but its modification time."""


_CONTENT = frozenset({"type", "size", "target", "digest", "rdev"})
_TIME = frozenset({"mtime_ns"})


class Change(Record, frozen=True, kw_only=True):
    """One entry that is not the same on both sides.

    Attributes:
        path: on the board, for people; 1:/name on a partition that is not mounted.
        fields: what differs.
    """

    kind: ChangeKind
    path: str
    fields: tuple[str, ...] = ()
    size_before: int = 0
    size_after: int = 0


class PartComparison(Record, frozen=True, kw_only=True):
    """What changed on one partition.

    Attributes:
        counts: of every kind of change, exactly.
        bytes_before, bytes_after: sums of the sizes of regular files.
        changes: the first of them; changes of the time only when they are asked for.
        unlisted: how many more there are.
    """

    number: int
    place: str
    counts: dict[str, int]
    bytes_before: int
    bytes_after: int
    changes: tuple[Change, ...]
    unlisted: int


class PackageChange(Record, frozen=True, kw_only=True):
    """A package with another version; "" where it is not installed."""

    name: str
    before: str
    after: str


class Comparison(Record, frozen=True, kw_only=True):
    """What changed from before to after.

    Attributes:
        card: what differs about the card itself: table, file systems, boot gap.
        packages: None when a side does not tell its packages.
        troubles: what could not be looked at.
    """

    before: str
    after: str
    card: tuple[str, ...]
    parts: tuple[PartComparison, ...]
    packages: tuple[PackageChange, ...] | None
    troubles: tuple[str, ...] = ()

    @property
    def is_same(self) -> bool:
        """Whether nothing differs, times aside."""
        changed = any(
            count and kind != ChangeKind.TIME
            for part in self.parts
            for kind, count in part.counts.items()
        )
        return not (self.card or changed or self.packages)


@dataclass(frozen=True)
class CompareOptions:
    """How much is listed.

    Attributes:
        listed: most changes of each partition.
        hidden: kinds that are counted only.
    """

    listed: int = LISTED
    hidden: frozenset[ChangeKind] = frozenset({ChangeKind.TIME})


def compare(before: CompareSource, after: CompareSource, wish: CompareOptions) -> Comparison:
    """Say what changed from one side to the other."""
    numbers = sorted({part.number for side in (before, after) for part in side.parts})
    return Comparison(
        before=before.name,
        after=after.name,
        card=tuple(_card(before, after)),
        parts=tuple(_part(number, before, after, wish) for number in numbers),
        packages=_packages(before, after),
        troubles=(*before.troubles(), *after.troubles()),
    )


# Files -------------------------------------------------------------------------------------------


def _part(
    number: int, before: CompareSource, after: CompareSource, wish: CompareOptions
) -> PartComparison:
    shown = after.part(number) or before.part(number)
    assert shown is not None  # noqa: S101  one of them has it
    tally = _Counts(shown, wish)
    for old, new in pairs(before.entries(number), after.entries(number)):
        tally.add(old, _hashed(number, old, new, after))
    return tally.result()


def pairs(
    before: Iterable[Entry], after: Iterable[Entry]
) -> Iterator[tuple[Entry | None, Entry | None]]:
    """Bring together what has the same path in two streams in key order."""
    left, right = iter(before), iter(after)
    old, new = next(left, None), next(right, None)
    while old is not None or new is not None:
        if new is None or (old and model_entries.key(old) < model_entries.key(new)):
            yield old, None
            old = next(left, None)
        elif old is None or model_entries.key(new) < model_entries.key(old):
            yield None, new
            new = next(right, None)
        else:
            yield old, new
            old, new = next(left, None), next(right, None)


def _hashed(
    number: int, old: Entry | None, new: Entry | None, after: CompareSource
) -> Entry | None:
    """Give an entry of the running board its digest: the known one if it was not changed."""
    if old is None or new is None or not _lacks_digest(new) or old.size != new.size:
        return new
    if old.seen[:2] == new.seen[:2] and old.digest:
        return new._replace(digest=old.digest)
    return new._replace(digest=after.digest(number, new))


def _lacks_digest(entry: Entry) -> bool:
    is_file = entry.type is EntryType.FILE and entry.omitted is Omitted.NOTHING
    return is_file and bool(entry.size) and not entry.digest


def differing(old: Entry, new: Entry) -> tuple[str, ...]:
    """Return the names of the fields in which two entries differ.

    A digest that a side does not know, such as that of a file of another size, is no difference.
    """
    return tuple(
        name
        for name in COMPARED
        if getattr(old, name) != getattr(new, name)
        and (name != "digest" or (bool(old.digest) and bool(new.digest)))
    )


def kind_of(fields: Iterable[str]) -> ChangeKind:
    """Sort a change into its kind by what differs."""
    names = frozenset(fields)
    if names & _CONTENT:
        return ChangeKind.CONTENT
    return ChangeKind.TIME if names <= _TIME else ChangeKind.METADATA


@dataclass
class _Counts:
    part: SourcePart
    wish: CompareOptions
    counts: Counter[str] = field(default_factory=Counter)
    changes: list[Change] = field(default_factory=list)
    before: int = 0
    after: int = 0

    def add(self, old: Entry | None, new: Entry | None) -> None:
        self.before += old.size if old else 0
        self.after += new.size if new else 0
        if old is None or new is None:
            self._note(old, new, ChangeKind.REMOVED if old else ChangeKind.ADDED)
        elif fields := differing(old, new):
            self._note(old, new, kind_of(fields), fields)

    def _note(
        self, old: Entry | None, new: Entry | None, kind: ChangeKind, fields: tuple[str, ...] = ()
    ) -> None:
        self.counts[kind] += 1
        one = new or old
        if one is None or kind in self.wish.hidden or len(self.changes) >= self.wish.listed:
            return
        self.changes.append(
            Change(
                kind=kind,
                path=self.part.shown(one.path),
                fields=fields,
                size_before=old.size if old else 0,
                size_after=new.size if new else 0,
            )
        )

    def result(self) -> PartComparison:
        visible = sum(count for kind, count in self.counts.items() if kind not in self.wish.hidden)
        return PartComparison(
            number=self.part.number,
            place=self.part.mount,
            counts={kind: self.counts[kind] for kind in ChangeKind},
            bytes_before=self.before,
            bytes_after=self.after,
            changes=tuple(self.changes),
            unlisted=visible - len(self.changes),
        )


# The card ----------------------------------------------------------------------------------------


def _card(before: CompareSource, after: CompareSource) -> Iterator[str]:
    if before.disk is not None and after.disk is not None:
        yield from _table(before.disk, after.disk)
    for number in sorted({part.number for part in (*before.parts, *after.parts)}):
        old, new = before.part(number), after.part(number)
        if old and new and before.disk is not None and after.disk is not None:
            yield from _file_system(number, old, new)
        elif before.disk is not None and after.disk is not None:
            yield f"partition {number}: {'gone' if old else 'new'}"
    if before.attached is not None and after.attached is not None:
        yield from _attached(before.attached, after.attached)


def _table(old: Disk, new: Disk) -> Iterator[str]:
    if old.size != new.size:
        yield f"the card: {sizes.human(old.size)} -> {sizes.human(new.size)}"
    if (old.label, old.id) != (new.label, new.id):
        yield f"the table: {old.label} {old.id} -> {new.label} {new.id}"
    places = {part.number: part for part in old.partitions}
    for part in new.partitions:
        was = places.get(part.number)
        if was is not None and was != part:
            yield (
                f"partition {part.number}: start {was.start}, {was.size} sectors, type {was.type} "
                f"-> start {part.start}, {part.size} sectors, type {part.type}"
            )


def _file_system(number: int, old: SourcePart, new: SourcePart) -> Iterator[str]:
    if old.mount != new.mount:
        yield f"partition {number}: mounted at {old.mount or '-'} -> {new.mount or '-'}"
    for name in ("uuid", "label", "volume_id"):
        was, now = _told(old.file_system, name), _told(new.file_system, name)
        if was != now:
            yield f"partition {number}: {name} {was or '-'} -> {now or '-'}"


def _told(kind: FileSystem, name: str) -> str:
    return str(getattr(kind, name, ""))


def _attached(old: Mapping[str, str], new: Mapping[str, str]) -> Iterator[str]:
    for name in sorted({*old, *new}):
        if old.get(name) != new.get(name):
            what = "the boot gap" if name == "gap.bin" else name.removesuffix(".bin")
            yield f"{what}: other bytes than before"


# Packages ----------------------------------------------------------------------------------------


def _packages(before: CompareSource, after: CompareSource) -> tuple[PackageChange, ...] | None:
    old, new = _status(before), _status(after)
    if old is None or new is None:
        return None
    return package_changes(dpkg_status.installed(old), dpkg_status.installed(new))


def _status(side: CompareSource) -> bytes | None:
    root = next((part for part in side.parts if part.mount == "/"), None)
    return side.read(root.number, dpkg_status.STATUS, limit=dpkg_status.LIMIT) if root else None


def package_changes(old: Mapping[str, str], new: Mapping[str, str]) -> tuple[PackageChange, ...]:
    """Return what has come, gone, or has another version, by name."""
    return tuple(
        PackageChange(name=paths.display(name.encode()), before=old.get(name, ""),
                      after=new.get(name, ""))
        for name in sorted({*old, *new})
        if old.get(name) != new.get(name)
    )  # fmt: skip
