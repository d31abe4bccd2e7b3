"""What the page asks of a keeper about a capture, and what it gets: Protocols, and plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Generator, Mapping

    from holdstill.model.entries import Entry
    from holdstill.model.manifest import Manifest
    from holdstill.model.protocol import CaptureBrief
    from holdstill.page.place import Place


@dataclass(frozen=True)
class CaptureShown:
    """One capture.

    Attributes:
        brief: what the keeper knows of it, and what is wrong with it.
        manifest: what its board says of it; None where that cannot be read, for this problem.
        others: names of all captures of the board, the oldest first.
    """

    brief: CaptureBrief
    manifest: Manifest | None
    problem: str
    others: tuple[str, ...]


@dataclass(frozen=True)
class Listed:
    """An entry at its place. shown: its path, as people and `holdstill get` write it."""

    place: Place
    entry: Entry
    shown: str


@dataclass(frozen=True)
class PlaceShown:
    """An entry of a capture; of a folder also what is in it.

    Attributes:
        trail: the folders that it is in, from the top of its file system on, with their names.
        entries: of a folder, some in name order; more: the name behind which it goes on, b"" for
            no more.
        below: where other file systems were mounted in it, and their tops.
    """

    here: Listed
    trail: tuple[tuple[bytes, Place], ...]
    entries: tuple[Listed, ...] = ()
    more: bytes = b""
    below: tuple[tuple[str, Place], ...] = ()


@dataclass(frozen=True)
class SearchShown:
    """Some of what matches a pattern.

    Attributes:
        looked: how many names were looked at.
        more: the place behind which it goes on, None for no more.
        unlisted: parts that may have such files as well, and why nobody looked into them.
    """

    found: tuple[Listed, ...]
    looked: int
    more: Place | None
    unlisted: tuple[str, ...]


@dataclass(frozen=True)
class VersionShown:
    """A run of captures in which a path is the same; as `workflow.find.Version` has it."""

    type: str
    digest: str
    size: int
    mode: int
    mtime_ns: int
    first: str
    last: str
    gone_since: str


@dataclass(frozen=True)
class VersionsShown:
    """Versions of one path over the captures of a board, the oldest first.

    Attributes:
        captures: how many were looked through; troubles: which were not, and why.
        is_cut: whether there are older captures, which were not looked through.
    """

    shown: str
    versions: tuple[VersionShown, ...]
    captures: int
    troubles: tuple[str, ...]
    is_cut: bool


@dataclass(frozen=True)
class ChangeShown:
    """One entry that differs; place: in the newer capture; of what that lacks, in the older."""

    kind: str
    path: str
    fields: tuple[str, ...]
    size_before: int
    size_after: int
    place: Place


@dataclass(frozen=True)
class PartChanges:
    """What differs on one part; counts: by kind of change."""

    number: int
    seen: str
    counts: Mapping[str, int]
    bytes_before: int
    bytes_after: int


@dataclass(frozen=True)
class ChangesShown:
    """What differs from one capture to a newer one.

    Attributes:
        packages: None where nobody knows; more_packages: how many are not among them.
    """

    before: str
    after: str
    card: tuple[str, ...]
    parts: tuple[PartChanges, ...]
    packages: tuple[tuple[str, str, str], ...] | None
    not_compared: tuple[str, ...]
    more_packages: int = 0


@dataclass(frozen=True)
class ChangeList:
    """Some of what differs on one part.

    Attributes:
        before, after: the older and the newer capture.
        more: the place behind which it goes on, None for no more.
    """

    before: str
    after: str
    part: int
    changes: tuple[ChangeShown, ...]
    more: Place | None


@dataclass(frozen=True)
class Taken:
    """A file that is taken out. parts: its bytes, of which the last come only if all are right."""

    entry: Entry
    parts: Generator[bytes, None, None]


class CaptureView(Protocol):
    """Captures, for looking at. Several threads ask at once.

    Each raises UsageError where there is no such board, capture or place, and HoldstillError or
    OSError where it cannot be read; files of a capture with faults are refused.
    """

    def capture(self, board: str, name: str) -> CaptureShown:
        """Return one capture."""

    def at(self, board: str, name: str, place: Place, after: bytes) -> PlaceShown:
        """Return a place; of a folder what is in it behind a name."""

    def search(self, board: str, name: str, pattern: str, after: Place | None) -> SearchShown:
        """Return some of what a pattern means, behind a place."""

    def versions(self, board: str, name: str, place: Place) -> VersionsShown:
        """Return the versions of a path over all captures of the board."""


class ContentView(Protocol):
    """Contents of captured files, for somebody who may have them. Raises as `CaptureView`."""

    def head(self, board: str, name: str, place: Place, limit: int) -> tuple[Entry, bytes]:
        """Return a file, and its first bytes."""

    def file(self, board: str, name: str, place: Place) -> Taken:
        """Return a file to be taken out, checked as far as it can be before its first byte."""

    def folder(self, board: str, name: str, place: Place, wanted: str) -> Taken:
        """Return a folder as an archive; wanted: tar or zip."""


class ChangeView(Protocol):
    """Differences between captures. Raises as `CaptureView`."""

    def changes(self, board: str, name: str, other: str) -> ChangesShown:
        """Return what differs in all; one of these is made at a time."""

    def listed(self, board: str, name: str, other: str, after: Place) -> ChangeList:
        """Return some of what differs on the part of a place, behind it."""
