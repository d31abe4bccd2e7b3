"""The two sides of a comparison: a sealed capture, the running board, what the board remembers."""

from __future__ import annotations

import os
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from holdstill.board import layout
from holdstill.errors import UsageError
from holdstill.filesystems import content_parts
from holdstill.filesystems.fat.fat_reader import FatReader as FatVolume
from holdstill.filesystems.file_tree import Content
from holdstill.model import paths, tree_views
from holdstill.model.entries import EntryType
from holdstill.records import assembled, capture_contents, index_file
from holdstill.system import files
from holdstill.workflow import board_state, capture_scope, live_attachments
from holdstill.workflow.capture_method import HAS_FILES, CaptureMethod

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from holdstill.board.scan import Scanner
    from holdstill.model.entries import Entry
    from holdstill.model.layout import Disk, FileSystem
    from holdstill.model.manifest import Manifest
    from holdstill.model.sealed_capture import SealedCapture
    from holdstill.model.tree_views import TreeView
    from holdstill.records.index_queries import Index
    from holdstill.workflow.capture_scope import CaptureScope


@dataclass(frozen=True)
class SourcePart:
    """A partition with files."""

    number: int
    views: tuple[TreeView, ...]
    file_system: FileSystem

    @property
    def place(self) -> str:
        """Where it is seen, for people; "" for nowhere."""
        return tree_views.words(self.views)

    def shown(self, path: bytes) -> str:
        """Write a path inside it as `holdstill get` takes it."""
        return tree_views.shown(self.views, self.number, path)


class CompareSource(Protocol):
    """One side of a comparison.

    `disks` and `attached` (digests by name) are None where the side does not have them; `unread`
    says why, of what is not in `attached` although it may be there.
    """

    @property
    def name(self) -> str:
        """What it is called in the report."""

    @property
    def disks(self) -> tuple[Disk, ...] | None:
        """The card's table."""

    @property
    def parts(self) -> tuple[SourcePart, ...]:
        """The partitions with files."""

    @property
    def attached(self) -> Mapping[str, str] | None:
        """Digests of boot gap, areas of eMMCs and raw partitions."""

    @property
    def unread(self) -> Mapping[str, str]:
        """Why some of them could not be read, or were not, by their names."""

    def part(self, number: int) -> SourcePart | None:
        """Return one partition, None when it has no files here."""

    def entries(self, number: int) -> Iterator[Entry]:
        """Yield a partition's entries in key order; none when it is not there."""

    def digest(self, number: int, entry: Entry) -> bytes:
        """Return the digest of a file of this side that has none yet; b"" if it is not known."""

    def read(self, number: int, path: bytes, *, limit: int) -> bytes | None:
        """Return a file's bytes, None when they are not to be had."""

    def troubles(self) -> tuple[str, ...]:
        """Return what could not be read so far."""


@dataclass(frozen=True)
class _Parts:
    name: str
    disks: tuple[Disk, ...] | None
    parts: tuple[SourcePart, ...]
    attached: Mapping[str, str] | None
    unread: Mapping[str, str]

    def part(self, number: int) -> SourcePart | None:
        """Return one partition, None when it has no files here."""
        return next((part for part in self.parts if part.number == number), None)


@dataclass(frozen=True)
class CapturedSource(_Parts):
    """A sealed capture, or the index that the board remembers (then without contents)."""

    index: Index
    contents: SealedCapture | None

    def entries(self, number: int) -> Iterator[Entry]:
        """Yield a partition's entries in key order."""
        return self.index.entries(number)

    def digest(self, number: int, entry: Entry) -> bytes:
        """Return b"": what is not in the index is not known."""
        del number, entry
        return b""

    def read(self, number: int, path: bytes, *, limit: int) -> bytes | None:
        """Return a file's bytes from the store; of a remembered index there are none."""
        entry = self.index.get(number, path)
        if self.contents is None or entry is None or not entry.digest or entry.size > limit:
            return None
        found = bytearray(entry.size)
        for part in content_parts.open_parts(self.contents, entry):
            if part.handle is not None:
                body = os.pread(part.handle, part.length, 0)
                found[part.offset : part.offset + len(body)] = body
        return bytes(found)

    def troubles(self) -> tuple[str, ...]:
        """Return nothing: an index is whole or refused."""
        return ()


@contextmanager
def captured(stored: SealedCapture) -> Iterator[CapturedSource]:
    """Hold a sealed capture open as a side."""
    with assembled.opened_index(stored) as index:
        yield of_index(stored, stored.manifest(), index)


def of_index(stored: SealedCapture, manifest: Manifest, index: Index) -> CapturedSource:
    """Return a sealed capture as a side whose index is open."""
    return _described(f"{stored.board}/{stored.name}", manifest, index, stored)


def _described(
    name: str, manifest: Manifest, index: Index, contents: SealedCapture | None
) -> CapturedSource:
    return CapturedSource(
        name=name,
        disks=manifest.disks,
        parts=tuple(
            SourcePart(part.number, part.seen, part.file_system)
            for part in manifest.parts
            if part.entries
        ),
        attached={item.name: item.sha256 for item in capture_contents.beside_index(manifest)},
        unread={},
        index=index,
        contents=contents,
    )


@contextmanager
def remembered(scope: CaptureScope, state: Path) -> Iterator[CapturedSource]:
    """Hold what the board remembers of its last capture open as a side.

    Raises:
        UsageError: there was no capture yet.
        BusyError: a run is using it.
    """
    if not (state / "last.json").exists():
        raise UsageError(
            f"this board remembers no capture ({state})",
            hint="take one first, or name one of the store: BOARD/CAPTURE",
        )
    with board_state.opened(state) as kept, index_file.opened(kept.index_path) as index:
        name = f"{kept.last.board}/{kept.last.seq:06d} (as the board remembers it)"
        manifest = kept.manifest()
        if manifest is not None:
            yield _described(name, manifest, index, None)
            return
        present = set(index.parts())
        yield CapturedSource(
            name=name,
            disks=None,
            parts=tuple(part for part in _live_parts(scope) if part.number in present),
            attached=None,
            unread={},
            index=index,
            contents=None,
        )


@dataclass(frozen=True)
class LiveSource(_Parts):
    """The running board. Nothing is held still: what changes while it is read may be either."""

    scanners: Mapping[int, Scanner]
    unmounted: Mapping[int, FatVolume]
    found: list[str] = field(default_factory=list)

    def entries(self, number: int) -> Iterator[Entry]:
        """Yield a partition's entries in key order, without digests where it is mounted."""
        if number in self.scanners:
            return self.scanners[number].walk()
        volume = self.unmounted.get(number)
        return volume.entries(Content.HASHED) if volume else iter(())

    def digest(self, number: int, entry: Entry) -> bytes:
        """Read a file; b"", and a trouble, when it is gone or cannot be read."""
        try:
            handle = self.scanners[number].open(entry)
            try:
                return files.content_digest(handle, entry.size)
            finally:
                os.close(handle)
        except (OSError, EOFError) as error:
            self.found.append(f"{paths.display(entry.path)}: {error}")
            return b""

    def read(self, number: int, path: bytes, *, limit: int) -> bytes | None:
        """Return a file's bytes as they are now."""
        scanner = self.scanners.get(number)
        entry = scanner.find(path) if scanner else None
        is_file = entry is not None and entry.type is EntryType.FILE
        if scanner is None or entry is None or not is_file or entry.size > limit:
            return None
        with os.fdopen(scanner.open(entry), "rb") as file:
            return file.read(limit)

    def troubles(self) -> tuple[str, ...]:
        """Return what could not be read so far."""
        looked = (
            f"{paths.display(trouble.path)}: {trouble.reason}"
            for scanner in self.scanners.values()
            for trouble in scanner.troubles
        )
        return (*looked, *self.found)


@contextmanager
def live(scope: CaptureScope) -> Iterator[LiveSource]:
    """Hold the running board open as a side."""
    beside = live_attachments.read(scope)
    with ExitStack() as undo:
        scanners = undo.enter_context(capture_scope.open_scanners(scope))
        unmounted = {}
        for part in scope.parts(CaptureMethod.UNMOUNTED):
            window = undo.enter_context(layout.opened_part(scope.board, part))
            unmounted[part.number] = FatVolume(window)
        yield LiveSource(
            name="the board as it is now",
            disks=tuple(disk.layout for disk in scope.board.disks),
            parts=_live_parts(scope),
            attached=beside.digests,
            unread=beside.unread,
            scanners=scanners,
            unmounted=unmounted,
        )


def _live_parts(scope: CaptureScope) -> tuple[SourcePart, ...]:
    return tuple(
        SourcePart(part.number, part.seen, part.file_system) for part in scope.parts(*HAS_FILES)
    )
