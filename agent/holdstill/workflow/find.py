"""Which captures of a board have a file, and its versions.

The captures are looked through oldest first. What is held is one run of equal captures at a time
for each path that matches, so memory grows with the answer, not with the captures.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from holdstill.errors import UsageError
from holdstill.model import path_pattern, paths, tree_views
from holdstill.model.layout import Record
from holdstill.workflow import capture_ref, explain, unlisted_files

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from holdstill.model.entries import Entry
    from holdstill.model.sealed_capture import SealedCapture
    from holdstill.model.tree_views import TreeView
    from holdstill.records.index_queries import Index
    from holdstill.records.index_series import IndexSeries

LISTED = 1000
"""Paths of a board that are listed unless more are asked for."""


class Version(Record, frozen=True, kw_only=True):
    """A run of captures in which a path has the same content, type and mode.

    Attributes:
        type: of the entry, in small letters.
        digest: SHA-256 of the content, in hexadecimal; "" where there is none, or none is kept.
        mtime_ns: of the last of these captures.
        first, last: names of captures.
        gone_since: the capture in which the path was missing first, "" if it was not.
    """

    type: str
    digest: str
    size: int
    mode: int
    mtime_ns: int
    first: str
    last: str
    gone_since: str = ""


class FoundPath(Record, frozen=True, kw_only=True):
    """A path that matches. path: on the board, for people; as `holdstill get` takes it."""

    path: str
    versions: tuple[Version, ...]


class Unlisted(Record, frozen=True, kw_only=True):
    """A partition whose files no index lists: which, and how they are got at all the same."""

    why: str
    hint: str


class Found(Record, frozen=True, kw_only=True):
    """What was found in the captures of one board.

    Attributes:
        captures: how many were looked through.
        is_cut: whether more paths match than are listed.
        unlisted: partitions that may have such files as well, and were not looked into, each with
            what to do about it.
        troubles: captures that could not be looked through, and why.
        exit_code: the worst of these troubles', 0 without any.
    """

    captures: int
    paths: tuple[FoundPath, ...]
    is_cut: bool
    unlisted: tuple[Unlisted, ...]
    troubles: tuple[str, ...]
    exit_code: int


@dataclass(frozen=True)
class PathWish:
    """Which paths are meant: a pattern as glob(7); one without a slash is of a name alone."""

    pattern: bytes

    @classmethod
    def parse(cls, text: str) -> PathWish:
        """Read a pattern that a person gave.

        Raises:
            UsageError: it is empty, or could match no path of any board.
        """
        pattern = os.fsencode(text)
        number, colon, _ = pattern.partition(b":/")
        is_numbered = bool(colon) and number.isdigit()
        is_placed = is_numbered or pattern.startswith(b"/")
        if not pattern or (b"/" in pattern and not is_placed):
            raise UsageError(
                f"{text!r} is no pattern of paths",
                hint="begin it with /, or with a partition and a colon, such as 1:/; or give a "
                "name alone, without any slash",
            )
        return cls(pattern)

    @classmethod
    def of_place(cls, part: int, path: bytes) -> PathWish:
        """Return the wish for one path of a partition."""
        return cls(b"%d:/" % part + path_pattern.escaped(path))

    @property
    def is_one_path(self) -> bool:
        """Whether it is looked up rather than looked for."""
        return b"/" in self.pattern and path_pattern.literal(self.pattern) is not None

    def within(self, part: int, views: Sequence[TreeView]) -> Callable[[bytes, bytes], bool]:
        """Return what tells whether (directory, name) of a partition is meant."""
        matches = path_pattern.compiled(self.pattern).fullmatch
        if b"/" not in self.pattern:
            return lambda _, name: bool(name) and matches(name) is not None
        tops = _tops(part, views)
        return lambda directory, name: any(
            matches(top.shown(path)) is not None
            for path in [paths.join(directory, name)]
            for top in tops
            if tree_views.is_within(path, top.inside)
        )

    def entries(self, index: Index, part: int, views: Sequence[TreeView]) -> Iterator[Entry]:
        """Yield the entries of a partition that are meant."""
        literal = path_pattern.literal(self.pattern)
        if not self.is_one_path or literal is None:
            yield from index.matching(part, self.within(part, views))
            return
        found = (top.inside_of(literal) for top in _tops(part, views))
        for path in dict.fromkeys(path for path in found if path is not None):
            entry = index.get(part, path)
            yield from [entry] if entry else []


class _Top(NamedTuple):
    """A folder of a partition (b"" is its top), and what people write before a path in it."""

    inside: bytes
    words: bytes

    def shown(self, path: bytes) -> bytes:
        """Return what people call a path that is within."""
        return self.words + path[len(self.inside) :].lstrip(b"/")

    def inside_of(self, written: bytes) -> bytes | None:
        """Return the path that people mean by what they wrote; None for one that is not within."""
        if not written.startswith(self.words):
            return None
        rest = written[len(self.words) :].rstrip(b"/")
        return paths.join(self.inside, rest) if rest else self.inside


def _tops(part: int, views: Sequence[TreeView]) -> tuple[_Top, ...]:
    """Return the folders that a partition's paths are told from: its top, and what was seen."""
    seen = (_Top(view.inside.encode(), _folder(view.place)) for view in views)
    return (_Top(b"", b"%d:/" % part), *seen)


def _folder(place: str) -> bytes:
    return place.encode().rstrip(b"/") + b"/"


@dataclass
class _Finding:
    wish: PathWish
    listed: int
    known: dict[tuple[int, bytes], list[Version]] = field(default_factory=dict)
    shown: dict[tuple[int, bytes], str] = field(default_factory=dict)
    unlisted: dict[int, Unlisted] = field(default_factory=dict)
    is_cut: bool = False

    def look(self, capture: SealedCapture, index: Index) -> None:
        """Take what matches in one capture, the next one."""
        present = set[tuple[int, bytes]]()
        name, manifest = str(capture.name), capture.manifest()
        for part in unlisted_files.may_have(manifest, self.wish.pattern):
            why, how = unlisted_files.why(manifest, part), unlisted_files.how(manifest, part)
            self.unlisted[part.number] = Unlisted(why=why, hint=how)
        for part in manifest.parts:
            if part.entries:
                for entry in self.wish.entries(index, part.number, part.seen):
                    self._take((part.number, entry.path), entry, name, part.seen, present)
        for key, versions in self.known.items():
            if key not in present and not versions[-1].gone_since:
                versions[-1] = _gone(versions[-1], name)

    def _take(
        self,
        key: tuple[int, bytes],
        entry: Entry,
        capture: str,
        views: Sequence[TreeView],
        present: set[tuple[int, bytes]],
    ) -> None:
        if key not in self.known and len(self.known) >= self.listed:
            self.is_cut = True
            return
        present.add(key)
        versions = self.known.setdefault(key, [])
        new = _version(entry, capture)
        if versions and _is_same(versions[-1], new):
            new = _since(new, versions.pop().first)
        versions.append(new)
        self.shown[key] = tree_views.shown(views, *key)


def _version(entry: Entry, capture: str) -> Version:
    return Version(
        type=entry.type.name.lower(), digest=entry.digest.hex(), size=entry.size,
        mode=entry.mode, mtime_ns=entry.mtime_ns, first=capture, last=capture,
    )  # fmt: skip


def _is_same(old: Version, new: Version) -> bool:
    one, other = ((v.type, v.digest, v.size, v.mode) for v in (old, new))
    return not old.gone_since and one == other


def _since(version: Version, first: str) -> Version:
    return msgspec.structs.replace(version, first=first)


def _gone(version: Version, capture: str) -> Version:
    return msgspec.structs.replace(version, gone_since=capture)


def find(
    captures: Iterable[SealedCapture], wish: PathWish, series: IndexSeries, *, listed: int = LISTED
) -> Found:
    """Look through the captures of one board.

    A capture with faults, or whose index cannot be read, is a trouble; the others are looked
    through all the same.

    Args:
        captures: oldest first.
        wish: which paths are meant.
        series: where their indexes are put together.
        listed: most paths that are listed.
    """
    finding = _Finding(wish, listed)
    troubles: list[str] = []
    looked = code = 0
    for capture in captures:
        try:
            with series.opened(capture_ref.trusted(capture)) as index:
                finding.look(capture, index)
            looked += 1
        except Exception as error:
            known = explain.explained(error)
            if known is None:
                raise
            troubles.append(f"{capture.board}/{capture.name} was not looked through: {known}")
            code = max(code, known.exit_code)
    return Found(
        captures=looked,
        paths=tuple(
            FoundPath(path=finding.shown[key], versions=tuple(finding.known[key]))
            for key in sorted(finding.known)
        ),
        is_cut=finding.is_cut,
        unlisted=tuple(finding.unlisted.values()),
        troubles=tuple(troubles),
        exit_code=code,
    )
