"""What differs between two versions of an entry, and of a partition's entries."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from holdstill.model import entries as model_entries
from holdstill.model.entries import COMPARED, Entry, EntryType, Omitted
from holdstill.model.layout import Record

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

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


@dataclass(frozen=True)
class CompareOptions:
    """How much is listed.

    Attributes:
        listed: most changes of each partition.
        hidden: kinds that are counted only.
    """

    listed: int = LISTED
    hidden: frozenset[ChangeKind] = frozenset({ChangeKind.TIME})


def compare_part(
    number: int, before: CompareSource, after: CompareSource, wish: CompareOptions
) -> PartComparison:
    """Compare the entries of one partition."""
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
    if old is None or new is None or old.size != new.size:
        return new
    is_file = new.type is EntryType.FILE and new.omitted is Omitted.NOTHING
    if not is_file or not new.size or new.digest:
        return new
    if old.seen[:2] == new.seen[:2] and old.digest:
        return new._replace(digest=old.digest)
    return new._replace(digest=after.digest(number, new))


def differing(old: Entry, new: Entry) -> tuple[str, ...]:
    """Return the names of the fields in which two entries differ.

    An unknown digest, such as that of a file of another size, is no difference.
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


class Stretch(NamedTuple):
    """Some changes of a partition in key order, each with its path inside.

    Attributes:
        last: the path behind which the others are; None for no more.
    """

    changes: tuple[tuple[bytes, Change], ...]
    last: bytes | None


def stretch(
    part: SourcePart, before: Iterable[Entry], after: Iterable[Entry], wish: CompareOptions,
    *, most: int,
) -> Stretch:  # fmt: skip
    """Compare two streams in key order until as many changes were found as are to be listed.

    Args:
        part: what they are of.
        before: entries with their digests, behind a key.
        after: the same of the other side.
        wish: which changes are listed, and how many.
        most: paths that are compared.
    """
    found = list[tuple[bytes, Change]]()
    for count, (old, new) in enumerate(pairs(before, after), start=1):
        one = new or old
        assert one is not None  # noqa: S101  one of them is there
        fields = differing(old, new) if old and new else ()
        if not (old and new) or fields:
            kind = kind_of(fields) if fields else _kind_of_one(old)
            if kind not in wish.hidden:
                found.append((one.path, _change(part, old, new, kind, fields)))
        if len(found) == wish.listed or count == most:
            return Stretch(tuple(found), one.path)
    return Stretch(tuple(found), None)


def _kind_of_one(old: Entry | None) -> ChangeKind:
    return ChangeKind.REMOVED if old else ChangeKind.ADDED


def _change(
    part: SourcePart, old: Entry | None, new: Entry | None, kind: ChangeKind,
    fields: tuple[str, ...],
) -> Change:  # fmt: skip
    one = new or old
    assert one is not None  # noqa: S101  one of them is there
    return Change(
        kind=kind,
        path=part.shown(one.path),
        fields=fields,
        size_before=old.size if old else 0,
        size_after=new.size if new else 0,
    )


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
            self._note(old, new, _kind_of_one(old))
        elif fields := differing(old, new):
            self._note(old, new, kind_of(fields), fields)

    def _note(
        self, old: Entry | None, new: Entry | None, kind: ChangeKind, fields: tuple[str, ...] = ()
    ) -> None:
        self.counts[kind] += 1
        if kind in self.wish.hidden or len(self.changes) >= self.wish.listed:
            return
        self.changes.append(_change(self.part, old, new, kind, fields))

    def result(self) -> PartComparison:
        visible = sum(count for kind, count in self.counts.items() if kind not in self.wish.hidden)
        return PartComparison(
            number=self.part.number,
            place=self.part.place,
            counts={kind: self.counts[kind] for kind in ChangeKind},
            bytes_before=self.before,
            bytes_after=self.after,
            changes=tuple(self.changes),
            unlisted=visible - len(self.changes),
        )
