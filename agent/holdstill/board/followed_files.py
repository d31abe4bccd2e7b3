"""The large files of one run that are followed, and what tells what was written to them.

How a partition's large files can be followed depends on its file system:

    traced    ext4, xfs: by the block trace of its disk, and by maps
    extents   btrfs: by extent items alone, which are never written in place
    whole     anything else, or no trace: a changed file is copied whole in the pause

With `AllDay`, a run goes on from what the last one has read; everything in doubt is read again. A
file that stands still is taken to be read as it is listed: one that only a hook writes to, which
empties a database's log just before the pause, is followed as well.

A look at the trace tells of one disk what was written since the look before. So each look is
handed to all files that are followed on that disk, whether they are read then or not.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from holdstill.board import block_trace, piece_digests, traced_disk
from holdstill.board.all_day import EXTENTS_MOST, FileInCapture
from holdstill.board.block_trace import BlockTrace
from holdstill.board.changed_pieces import FileAsRead
from holdstill.board.extent_map import BtrfsMap, FiemapMap
from holdstill.board.followed_file import FollowedFile
from holdstill.board.traced_disk import Untraced
from holdstill.board.written_blocks import WrittenBlocks
from holdstill.model import pieces
from holdstill.model.pieces import PieceList
from holdstill.system import file_status, ioctl

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence
    from contextlib import AbstractContextManager

    from holdstill.board.all_day import AllDay, RememberedFile
    from holdstill.board.changed_pieces import Written
    from holdstill.board.extent_map import ExtentMap
    from holdstill.board.followed_file import FrozenPieces, Piece
    from holdstill.board.mounts import Mount
    from holdstill.board.spool import Spool
    from holdstill.board.traced_disk import Disk, Place
    from holdstill.system.clocks import Clock

Listed = Callable[[], PieceList | None]
"""Returns the pieces of a file as it was read earlier; None if its list is lost."""
MOST = 64
"""Files that are followed at a time: each costs two open files."""
LARGEST = 16 << 30
"""Bytes of a file that is followed: 262,144 pieces, of which each may be in doubt."""
FULL = 0.5
"""Share of a file that must be allocated: pieces of holes are read like all others."""
_TRACED = frozenset({"ext4", "xfs"})
_ANYTHING = WrittenBlocks(0)


class How(StrEnum):
    """How changes in a partition's large files are found."""

    TRACED = "traced"
    EXTENTS = "extents"
    WHOLE = "whole"


class Way(NamedTuple):
    """How changes in a partition's large files are found, and why so, "" for no reason needed."""

    how: How
    why: str = ""


def can_be_followed(status: os.stat_result) -> bool:
    """Whether a file is one that is worth following: large, and not mostly holes."""
    size = status.st_size
    return pieces.is_pieced(size) and size <= LARGEST and status.st_blocks * 512 >= size * FULL


class _Nothing:
    """Nothing was written: for a round behind a look, which was told already."""

    def within(self, start: int, end: int) -> Iterator[tuple[int, int]]:  # noqa: ARG002
        """Yield the written parts of a range: none."""
        return iter(())


_NOTHING = _Nothing()


@dataclass(frozen=True)
class _Held:
    """A followed file, with what it holds open."""

    file: FollowedFile
    handle: int
    map: ExtentMap
    opened: ExitStack

    def is_followable(self) -> bool:
        """Whether it still is what can be followed."""
        in_place = isinstance(self.map, BtrfsMap) and self.map.written_in_place
        return not in_place and can_be_followed(file_status.of_handle(self.handle))


class FileInPause(NamedTuple):
    """A followed file, and what a pause took of it."""

    file: FollowedFile
    taken: FrozenPieces


class FollowedPart:
    """The followed files of one partition.

    Files are known by device and inode number, which nobody else can get while we have them open.

    Args:
        way: how they are followed.
        place: of the partition, where a trace tells of it.
        directory: on the card, for the digests.
        limit: files that are followed at a time.
        map_of: makes the map of an open file, if not by its way.
    """

    def __init__(
        self,
        way: Way,
        place: Place | None,
        directory: Path = Path(),
        limit: int = MOST,
        map_of: Callable[[int], ExtentMap] | None = None,
    ) -> None:
        self.way, self.place = way, place
        self._directory, self._limit = directory, limit
        self._map_of = map_of or self._own_map
        self._held: dict[tuple[int, int], _Held] = {}
        self._taken: set[tuple[int, int]] = set()
        self._refused: set[int] = set()
        self._assumed: dict[int, bytes] = {}
        self._extents_assumed = 0
        self._written: Written = _ANYTHING

    def holds(self, inode: int) -> bool:
        """Whether a file with this number is followed."""
        return any(number == inode for _, number in self._held)

    def takes(self, inode: int) -> bool:
        """Whether a file with this number is followed, or would be."""
        if self.way.how is How.WHOLE or inode in self._refused:
            return False
        return self.holds(inode) or len(self._held) < self._limit

    def dirty_bytes(self, inode: int) -> int | None:
        """Return what a pause would have to copy of a file, as of the last look; None: all."""
        sizes = (held.file.dirty_bytes for (_, n), held in self._held.items() if n == inode)
        return max(sizes, default=None)

    def inodes(self) -> list[int]:
        """Return the numbers of all files that are followed."""
        return [inode for _, inode in self._held]

    def follow(self, handle: int) -> FollowedFile | None:
        """Follow an open file from now on, if that can be; else remember that it cannot.

        Args:
            handle: the caller closes it; another one is held.
        """
        status = file_status.of_handle(handle)
        held = self._held.get((status.st_dev, status.st_ino))
        if held is None and self.takes(status.st_ino):
            held = self._begun(handle)
        if held is None:
            self._refused.add(status.st_ino)
            return None
        return held.file

    def resume(self, handle: int, remembered: RememberedFile, listed: Listed) -> None:
        """Follow an open file from where an earlier run left it, if it can be followed still.

        Args:
            handle: of that very file; the caller closes it; another one is held.
            remembered: what was known of it then.
            listed: returns its pieces then.
        """
        # It is held already where it has several names.
        if self.takes(remembered.inode) and not self.holds(remembered.inode):
            self._begun(handle, remembered.known, remembered.digest, listed)

    def assume(self, handle: int, digest: bytes, listed: Listed) -> None:
        """Follow an open file as if it was just read and found as it is listed.

        That is right if the next scan finds that it has not changed since: `confirm`. It is
        written out first, so that there is no data for which no block stands.

        Args:
            handle: the caller closes it; another one is held.
            digest: SHA-256 of its list.
            listed: returns its pieces.

        Raises:
            OSError: the disk does not take what was written to it, or nobody knows where it lies.
        """
        status = file_status.of_handle(handle)
        if not self.takes(status.st_ino) or self.holds(status.st_ino):
            return
        os.fdatasync(handle)
        # A file in thousands of parts costs memory, and time in each look.
        room = EXTENTS_MOST - self._extents_assumed
        count = sum(1 for _ in itertools.islice(ioctl.fiemap(handle), room + 1))
        if count <= room and self._begun(handle, self._as_if_read(handle), digest, listed):
            self._assumed[status.st_ino] = digest
            self._extents_assumed += count

    def confirm(self, digest_of: Callable[[int], bytes]) -> None:
        """After a scan: let go of what was assumed before it of files that did change.

        Args:
            digest_of: returns the digest that the index has of a file's number, b"" for none.
        """
        for inode, digest in self._assumed.items():
            if digest_of(inode) != digest:
                self._let_go(inode)
        self._assumed.clear()

    def follow_as_read(self, handle: int) -> bool:
        """Follow an open file as if it was just read, and return whether that can be.

        Only to learn what a pause would copy of it; it must not be captured so.
        """
        status = file_status.of_handle(handle)
        if not self.takes(status.st_ino):
            return False
        return self._begun(handle, self._as_if_read(handle)) is not None

    def _as_if_read(self, handle: int) -> FileAsRead:
        its_map, size = self._map_of(handle), file_status.of_handle(handle).st_size
        extents = its_map.extents(0, max(size, 1))
        shared = _shared_pieces(its_map, size)
        return FileAsRead.just_read(pieces.PIECE, size, extents, shared)

    def _begun(
        self,
        handle: int,
        known: FileAsRead | None = None,
        as_listed: bytes = b"",
        listed: Listed | None = None,
    ) -> _Held | None:
        with ExitStack() as undo:
            own = os.dup(handle)
            undo.callback(os.close, own)
            its_map = self._map_of(own)
            digests = undo.enter_context(piece_digests.opened(self._directory, earlier=listed))
            file = FollowedFile(own, its_map, digests, known, as_listed)
            held = _Held(file, own, its_map, ExitStack())
            if not held.is_followable():
                return None
            held.opened.push(undo.pop_all())
            status = file_status.of_handle(own)
            self._held[status.st_dev, status.st_ino] = held
            return held

    def read_as(self, digest_of: Callable[[int], bytes]) -> Iterator[FileInCapture]:
        """Yield what a next run may go on from, after the pause; nothing if it told of doubts.

        Args:
            digest_of: returns the list's digest that a capture has of a file's number, b"" for
                none.
        """
        if self.way.how is How.WHOLE:
            return
        for key, held in list(self._held.items()):
            digest = digest_of(key[1])
            if not held.file.is_read_as(digest):
                continue
            if key not in self._taken:
                held.file.look(self._written)  # what the pause was told, which it had no use for
            yield FileInCapture(*key, held.handle, held.file.known, digest)

    def _own_map(self, handle: int) -> ExtentMap:
        return FiemapMap(handle, self.place.first_byte) if self.place else BtrfsMap(handle)

    def hot_round(self, file: FollowedFile) -> Iterator[Piece]:
        """Read what the last look found dirty; exhaust the iterator. OSError of the card."""
        return file.hot_round(_NOTHING)

    def make_room(self, waiting: Collection[int], is_settled: Callable[[int], bool]) -> None:
        """Let go of files that have their content, as far as others wait for their places.

        Args:
            waiting: numbers of the files that are to be followed.
            is_settled: whether the file with a number has its content.
        """
        wanted = sum(not self.holds(inode) and inode not in self._refused for inode in waiting)
        for inode in self.inodes():
            if len(self._held) + wanted <= self._limit:
                return
            if is_settled(inode):
                self._let_go(inode)

    def forget(self, inode: int) -> None:
        """Do not follow a file any more, nor again."""
        self._refused.add(inode)
        self._let_go(inode)

    def let_go_all(self) -> None:
        """Let go of all files; what is still to be captured may be followed from its beginning."""
        for inode in self.inodes():
            self._let_go(inode)

    def _let_go(self, inode: int) -> None:
        for key in [key for key in self._held if key[1] == inode]:
            self._held.pop(key).opened.close()

    def forget_all(self) -> None:
        """Follow nothing any more."""
        for inode in self.inodes():
            self.forget(inode)
        self.way = Way(How.WHOLE, "it was not held still")

    def write_out(self) -> None:
        """Have the kernel write what is dirty in memory, so that the next look is told of it."""
        for (_, inode), held in list(self._held.items()):
            try:
                os.fdatasync(held.handle)
            except OSError:
                # What was read of it is thrown away, maybe, and what was there before shows again.
                self.forget(inode)

    def look(self, written: Written, failed: str) -> None:
        """Note what is dirty; what cannot be followed any more is forgotten.

        Args:
            written: what the trace told.
            failed: what it failed at, so that anything may have been written; "" for nothing.
        """
        if failed and self._held:
            self.way = Way(self.way.how, f"read once more: {failed}")
        for (_, inode), held in list(self._held.items()):
            try:
                if held.is_followable():
                    held.file.look(written)
                    continue
            except OSError:
                pass
            self.forget(inode)

    def stage(self, inode: int, spool: Spool, is_over: Callable[[], bool]) -> None:
        """Just before the pause: copy to memory what the last look found dirty of a file.

        Of one that the pause will take: what was moved, or lost by the trace, is dirty in files
        that did not change as well. What cannot be read is followed no more.

        Args:
            inode: of a file, which need not be followed.
            spool: receives it.
            is_over: whether the time for it is.

        Raises:
            SpoolFullError: it does not fit, so that the pause could not take it either.
        """
        for held in [held for (_, number), held in self._held.items() if number == inode]:
            try:
                if dirty := held.file.dirty_bytes:
                    spool.check_room(dirty)
                    held.file.stage(_NOTHING, spool, is_over)
            except OSError:
                self.forget(inode)

    def note_frozen(self, written: Written, failed: str) -> None:
        """Inside the pause: note what the trace told; see `look`."""
        self._written = written
        if failed and self._held:
            self.way = Way(How.WHOLE, failed)

    def spool_frozen(self, handle: int, spool: Spool) -> FileInPause | None:
        """Inside the pause: copy the dirty pieces of an open file; None if it is not followed.

        Raises:
            SpoolFullError, ChangedError, OSError: as `FollowedFile.spool_frozen`.
        """
        status = file_status.of_handle(handle)
        held = self._held.get((status.st_dev, status.st_ino))
        if held is None or not held.is_followable():
            return None
        taken = held.file.spool_frozen(self._written, spool)
        self._taken.add((status.st_dev, status.st_ino))
        return FileInPause(held.file, taken)


def _shared_pieces(its_map: ExtentMap, size: int) -> list[int]:
    if not its_map.is_shared(0, max(size, 1)):
        return []
    starts = range(0, size, pieces.PIECE)
    return [n for n, at in enumerate(starts) if its_map.is_shared(at, at + pieces.PIECE)]


class FollowedFiles:
    """The followed files of a run; `opened` makes it.

    Attributes:
        parts: by partition.

    Args:
        trace: of their disks; None where nothing is traced.
        all_day: keeps the trace and what is known; None if nothing does.
    """

    def __init__(
        self,
        trace: BlockTrace | None,
        parts: Mapping[int, FollowedPart],
        all_day: AllDay | None = None,
    ) -> None:
        self._trace, self._all_day = trace, all_day
        self.parts = parts

    def remembered(self, capture: str) -> Sequence[RememberedFile]:
        """Return what may be followed on from a capture; once, before the first look."""
        return self._all_day.take(capture) if self._all_day else ()

    def resume(self, handle: int, remembered: RememberedFile, listed: Listed) -> None:
        """Follow an open file from where a capture left it, if it is that very file.

        Args:
            handle: the caller closes it.
            remembered: what was known of it.
            listed: returns its pieces in that capture.
        """
        status = file_status.of_handle(handle)
        is_it = (status.st_dev, status.st_ino) == (remembered.device, remembered.inode)
        part = self.parts.get(remembered.part)
        if self._all_day and part and is_it and self._all_day.lives(remembered):
            part.resume(handle, remembered, listed)

    def remember(
        self, capture: str, still: Collection[int], digest_of: Callable[[int, int], bytes]
    ) -> None:
        """Remember what the next run may go on from.

        Args:
            capture: what names the sealed capture.
            still: partitions that were held still.
            digest_of: returns the digest that the capture has of a partition's inode.
        """
        if self._all_day is None:
            return
        found = {
            number: list(part.read_as(partial(digest_of, number)))
            for number, part in self.parts.items()
            if number in still
        }
        self._all_day.keep(capture, found)

    def look(self) -> None:
        """Note what is dirty now, in all files. Not in the pause: it makes the kernel write."""
        for part in self.parts.values():
            part.write_out()
        told = self._told()
        for part in self.parts.values():
            part.look(*_written_to(part, told))

    def alone(self) -> AbstractContextManager[None]:
        """Have no thread of the trace's at work in this block."""
        return self._trace.alone() if self._trace else nullcontext()

    def look_frozen(self) -> None:
        """Inside the pause, first of all: ask the trace what was written. Only reads."""
        told = self._told()
        for part in self.parts.values():
            part.note_frozen(*_written_to(part, told))

    def _told(self) -> Mapping[Disk, WrittenBlocks] | Untraced:
        return self._trace.written() if self._trace else {}


def _written_to(
    part: FollowedPart, told: Mapping[Disk, WrittenBlocks] | Untraced
) -> tuple[Written, str]:
    """Return what was written where a part is, and what the trace failed at, "" for nothing."""
    if part.place is None:
        return _ANYTHING, ""
    if isinstance(told, Untraced):
        return _ANYTHING, str(told)
    return told[part.place.disk], ""


@contextmanager
def opened(
    frozen: Mapping[int, Mount], directory: Path, clock: Clock, all_day: AllDay | None = None
) -> Iterator[FollowedFiles]:
    """Follow large files of partitions that will be frozen, for the length of the block.

    Begin before the first look at them.

    Args:
        frozen: where each is mounted.
        directory: on the card, for the digests of pieces.
        clock: for the trace.
        all_day: has the trace of the last run, and keeps it for the next one.
    """
    places = {number: _place_of(mount) for number, mount in frozen.items()}
    disks = sorted({place.disk for place in places.values() if not isinstance(place, Way)})
    with ExitStack() as undo:
        started = all_day.traced(disks) if all_day else block_trace.started(disks, clock)
        trace = undo.enter_context(started) if disks else None
        parts = {n: _part(place, trace, directory) for n, place in places.items()}
        for part in parts.values():
            undo.callback(part.forget_all)
        yield FollowedFiles(trace if isinstance(trace, BlockTrace) else None, parts, all_day)


def _place_of(mount: Mount) -> Place | Way:
    """Return the place of a file system that is to be traced; else the way without a trace."""
    if mount.type == "btrfs":
        return Way(How.EXTENTS)
    if mount.type not in _TRACED:
        return Way(How.WHOLE, f"not proven to be right for {mount.type}")
    if mount.option("rtdev") is not None:
        return Way(How.WHOLE, "it has a second device for data")
    try:
        place = traced_disk.place_of(os.makedev(*mount.device))
        refusal = traced_disk.why_untraceable(place.disk)
    except (OSError, ValueError) as error:
        return Way(How.WHOLE, f"its disk cannot be told: {error}")
    # One disk that cannot be traced is no reason not to trace the others.
    return Way(How.WHOLE, str(refusal)) if refusal else place


def _part(
    place: Place | Way, trace: BlockTrace | Untraced | None, directory: Path
) -> FollowedPart:
    if isinstance(place, Way):
        return FollowedPart(place, None, directory)
    if isinstance(trace, Untraced):
        return FollowedPart(Way(How.WHOLE, str(trace)), None, directory)
    return FollowedPart(Way(How.TRACED), place, directory)
