"""Which files of a partition are followed, and what becomes of those that cannot be."""

from __future__ import annotations

import errno
import os
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import followed_files
from holdstill.board.all_day import RememberedFile
from holdstill.board.extent_map import Extent, State
from holdstill.board.followed_files import FollowedFiles, FollowedPart, How, Way
from holdstill.board.mounts import Mount
from holdstill.board.spool import Spool
from holdstill.board.traced_disk import Disk, NoTrace, Place, Untraced
from holdstill.board.written_blocks import WrittenBlocks
from holdstill.model import pieces
from holdstill.model.paths import BoardPath
from holdstill.system.clocks import SystemClock

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.extent_map import ExtentMap
    from holdstill.model.pieces import PieceList

SIZE = pieces.PIECED_FROM
DISK = Disk(8, 0)
NOTHING = WrittenBlocks(4 * SIZE)


class StraightMap:
    """The map of a file that lies at the start of its disk, in one extent."""

    def extents(self, start: int, end: int) -> list[Extent]:
        return [Extent(start, end - start, 0, State.STORED)]

    def is_shared(self, start: int, end: int) -> bool:
        return False


def straight(handle: int) -> ExtentMap:
    return StraightMap()


def traced(folder: Path, limit: int = 2) -> FollowedPart:
    return FollowedPart(Way(How.TRACED), Place(DISK, 0), folder, limit, straight)


@contextmanager
def large(folder: Path, name: str = "readings.db", size: int = SIZE) -> Iterator[int]:
    path = folder / name
    path.write_bytes(os.urandom(size))
    handle = os.open(path, os.O_RDWR)
    try:
        yield handle
    finally:
        os.close(handle)


def inode(handle: int) -> int:
    return os.fstat(handle).st_ino


def read(part: FollowedPart, handle: int) -> int:
    """Do a hot round of a file; return how many pieces it read."""
    file = part.follow(handle)
    assert file is not None
    return len(list(part.hot_round(file)))


def test_a_look_adds_to_those_before_it_until_a_round_reads_what_they_found(
    tmp_path: Path,
) -> None:
    part = traced(tmp_path)
    with large(tmp_path) as handle:
        assert read(part, handle) == SIZE // pieces.PIECE
        for place in (0, 5):
            told = WrittenBlocks(4 * SIZE)
            told.add(place * pieces.PIECE // 512, 1)
            part.look(told, "")
        part.look(NOTHING, "")

        assert part.dirty_bytes(inode(handle)) == 2 * pieces.PIECE
        assert read(part, handle) == 2
        assert part.dirty_bytes(inode(handle)) == 0
        part.forget_all()


def test_a_look_that_cannot_tell_makes_all_dirty_and_is_remembered(tmp_path: Path) -> None:
    part = traced(tmp_path)
    with large(tmp_path) as handle:
        read(part, handle)

        part.look(WrittenBlocks(0), "events were lost")

        assert part.dirty_bytes(inode(handle)) == SIZE
        assert part.way == Way(How.TRACED, "read once more: events were lost")
        part.forget_all()


def test_a_file_is_followed_once_and_no_more_than_so_many_are(tmp_path: Path) -> None:
    part = traced(tmp_path, limit=1)
    with large(tmp_path) as one, large(tmp_path, "other.db") as other:
        first = part.follow(one)

        assert part.follow(one) is first
        assert part.follow(other) is None
        assert not part.takes(inode(other))
        assert part.inodes() == [inode(one)]
        part.forget_all()


@pytest.mark.parametrize("size", [SIZE - 1, 0])
def test_small_files_are_not_followed(size: int, tmp_path: Path) -> None:
    part = traced(tmp_path)
    with large(tmp_path, size=size) as handle:
        assert part.follow(handle) is None


def test_what_is_mostly_holes_is_not_followed(tmp_path: Path) -> None:
    part = traced(tmp_path)
    with large(tmp_path, size=pieces.PIECE) as handle:
        os.ftruncate(handle, 1 << 40)

        assert part.follow(handle) is None


def test_a_file_that_became_mostly_holes_is_forgotten_by_the_next_look(tmp_path: Path) -> None:
    part = traced(tmp_path)
    with large(tmp_path) as handle:
        part.follow(handle)
        os.ftruncate(handle, 1 << 40)

        part.look(NOTHING, "")

        assert part.inodes() == []
        assert part.dirty_bytes(inode(handle)) is None
        assert part.follow(handle) is None


def test_the_pause_takes_what_was_told_last_and_leaves_other_files_to_be_copied_whole(
    tmp_path: Path,
) -> None:
    part = traced(tmp_path)
    (tmp_path / "memory").mkdir()
    with (
        large(tmp_path) as handle,
        large(tmp_path, "other.db") as other,
        Spool(tmp_path / "memory", SIZE) as spool,
    ):
        read(part, handle)
        told = WrittenBlocks(4 * SIZE)
        told.add(3 * pieces.PIECE // 512, 1)
        part.note_frozen(told, "")

        found = part.spool_frozen(handle, spool)

        assert found is not None
        assert found.taken.numbers == (3,)
        assert part.spool_frozen(other, spool) is None
        part.forget_all()


def test_a_pause_that_the_trace_failed_in_says_so(tmp_path: Path) -> None:
    part = traced(tmp_path)
    with large(tmp_path) as handle:
        read(part, handle)

        part.note_frozen(WrittenBlocks(0), str(Untraced(NoTrace.LOST, "3 of them")))

        assert part.way == Way(How.WHOLE, "the kernel dropped events of the trace (3 of them)")
        part.forget_all()


def test_without_a_way_nothing_is_followed(tmp_path: Path) -> None:
    part = FollowedPart(Way(How.WHOLE, "its disk cannot be told"), None)
    with large(tmp_path) as handle:
        assert part.follow(handle) is None
        followed = FollowedFiles(None, {2: part})
        followed.look()
        with followed.alone():
            followed.look_frozen()


def mount(kind: str, options: str = "rw") -> Mount:
    top = BoardPath(b"/")
    return Mount((0, 4711), top, top, options, kind, "/dev/mmcblk0p2")


@pytest.mark.parametrize(
    ("found", "way"),
    [
        (mount("btrfs"), Way(How.EXTENTS)),
        (mount("f2fs"), Way(How.WHOLE, "not proven to be right for f2fs")),
        (mount("xfs", "rw,rtdev=/dev/sdb"), Way(How.WHOLE, "it has a second device for data")),
    ],
)
def test_what_needs_no_trace_starts_none(found: Mount, way: Way, tmp_path: Path) -> None:
    with followed_files.opened({2: found}, tmp_path, SystemClock()) as followed:
        assert followed.parts[2].way == way


def test_a_file_system_without_a_block_device_is_not_traced(tmp_path: Path) -> None:
    with followed_files.opened({2: mount("ext4")}, tmp_path, SystemClock()) as followed:
        way = followed.parts[2].way

    assert way.how is How.WHOLE
    assert way.why.startswith("its disk cannot be told")


def captured(part: FollowedPart, handle: int, spool: Spool, told: WrittenBlocks) -> PieceList:
    """Take a file in a pause; return its list as a capture has it."""
    part.note_frozen(told, "")
    found = part.spool_frozen(handle, spool)
    assert found is not None
    return found.file.listed(found.taken)


def remembered(part: FollowedPart, digest: bytes) -> RememberedFile:
    (file,) = part.read_as(lambda _: digest)
    return RememberedFile(2, file.device, file.inode, 1, file.known, file.digest)


def hit(*numbers: int) -> WrittenBlocks:
    """Return that these pieces were written."""
    told = WrittenBlocks(4 * SIZE)
    for number in numbers:
        told.add(number * pieces.PIECE // 512, 1)
    return told


@contextmanager
def spool_in(folder: Path) -> Iterator[Spool]:
    (folder / "memory").mkdir()
    with Spool(folder / "memory", 2 * SIZE) as spool:
        yield spool


def test_the_next_run_reads_what_was_written_since_the_pause_and_lists_the_rest_as_it_was(
    tmp_path: Path,
) -> None:
    with large(tmp_path) as handle, spool_in(tmp_path) as spool:
        first = traced(tmp_path)
        read(first, handle)
        os.pwrite(handle, b"1.42 m", 3 * pieces.PIECE)
        listed = captured(first, handle, spool, hit(3))
        kept = remembered(first, listed.digest())
        first.forget_all()
        os.pwrite(handle, b"1.43 m", 7 * pieces.PIECE)

        second = traced(tmp_path)
        second.resume(handle, kept, lambda: listed)
        second.look(hit(7), "")

        assert second.dirty_bytes(inode(handle)) == pieces.PIECE
        assert read(second, handle) == 1
        now = captured(second, handle, spool, NOTHING)
        data = (tmp_path / "readings.db").read_bytes()
        whole = pieces.of_reader(SIZE, pieces.PIECE, lambda at, length: data[at : at + length])
        assert now == whole
        second.forget_all()


def test_a_file_that_a_run_had_no_use_for_is_remembered_with_what_the_pause_was_told(
    tmp_path: Path,
) -> None:
    with large(tmp_path) as handle, spool_in(tmp_path) as spool:
        first = traced(tmp_path)
        read(first, handle)
        listed = captured(first, handle, spool, NOTHING)
        kept = remembered(first, listed.digest())
        first.forget_all()
        second = traced(tmp_path)
        second.resume(handle, kept, lambda: listed)
        second.note_frozen(hit(9), "")  # and it is not taken

        again = remembered(second, listed.digest())

        assert list(again.known.doubts) == [9]
        second.forget_all()


def test_a_file_that_is_found_by_two_names_is_resumed_and_held_open_once(tmp_path: Path) -> None:
    with large(tmp_path) as handle, spool_in(tmp_path) as spool:
        first = traced(tmp_path)
        read(first, handle)
        listed = captured(first, handle, spool, NOTHING)
        kept = remembered(first, listed.digest())
        first.forget_all()
        descriptors = Path("/proc/self/fd")
        before = len(list(descriptors.iterdir()))
        second = traced(tmp_path)

        for _ in ("readings.db", "its other name"):
            second.resume(handle, kept, lambda: listed)

        second.forget_all()
        assert len(list(descriptors.iterdir())) == before


@pytest.mark.parametrize("digest", [b"", b"another"])
def test_a_file_that_the_capture_has_otherwise_is_not_remembered(
    digest: bytes, tmp_path: Path
) -> None:
    with large(tmp_path) as handle, spool_in(tmp_path) as spool:
        part = traced(tmp_path)
        read(part, handle)
        captured(part, handle, spool, NOTHING)

        assert not list(part.read_as(lambda _: digest))
        part.forget_all()


def test_what_was_read_after_its_list_was_made_is_not_remembered_by_it(tmp_path: Path) -> None:
    with large(tmp_path) as handle, spool_in(tmp_path) as spool:
        part = traced(tmp_path)
        read(part, handle)
        listed = captured(part, handle, spool, NOTHING)
        part.look(hit(1), "")
        read(part, handle)

        assert not list(part.read_as(lambda _: listed.digest()))
        part.forget_all()


def test_nothing_is_remembered_of_a_pause_that_the_trace_failed_in(tmp_path: Path) -> None:
    with large(tmp_path) as handle, spool_in(tmp_path) as spool:
        part = traced(tmp_path)
        read(part, handle)
        part.note_frozen(WrittenBlocks(0), "events were lost")
        found = part.spool_frozen(handle, spool)
        assert found is not None
        listed = found.file.listed(found.taken)

        assert not list(part.read_as(lambda _: listed.digest()))
        part.forget_all()


def test_a_trace_that_lost_events_since_makes_all_be_read(tmp_path: Path) -> None:
    with large(tmp_path) as handle, spool_in(tmp_path) as spool:
        first = traced(tmp_path)
        read(first, handle)
        listed = captured(first, handle, spool, NOTHING)
        kept = remembered(first, listed.digest())
        first.forget_all()
        second = traced(tmp_path)
        second.resume(handle, kept, lambda: listed)

        second.look(WrittenBlocks(0), "events were lost")

        assert second.dirty_bytes(inode(handle)) == SIZE
        second.forget_all()


def assumed(folder: Path, handle: int) -> tuple[FollowedPart, PieceList]:
    """Follow a file from its list; nothing has read it in this run."""
    data = (folder / "readings.db").read_bytes()
    listed = pieces.of_reader(len(data), pieces.PIECE, lambda at, length: data[at : at + length])
    part = traced(folder)
    part.assume(handle, listed.digest(), lambda: listed)
    return part, listed


def test_of_a_file_that_is_as_it_was_listed_the_pause_takes_only_what_was_written(
    tmp_path: Path,
) -> None:
    with large(tmp_path) as handle, spool_in(tmp_path) as spool:
        part, listed = assumed(tmp_path, handle)
        part.confirm(lambda _: listed.digest())
        part.look(NOTHING, "")
        assert part.dirty_bytes(inode(handle)) == 0

        os.pwrite(handle, b"1.42 m", 7 * pieces.PIECE)
        now = captured(part, handle, spool, hit(7))

        data = (tmp_path / "readings.db").read_bytes()
        assert now == pieces.of_reader(SIZE, pieces.PIECE, lambda at, n: data[at : at + n])
        assert spool.used < 2 * pieces.PIECE
        assert remembered(part, now.digest()).digest == now.digest()
        part.forget_all()


@pytest.mark.parametrize("found", [b"", b"another"])
def test_a_file_that_the_first_scan_finds_changed_is_not_what_was_assumed(
    found: bytes, tmp_path: Path
) -> None:
    with large(tmp_path) as handle:
        part, _ = assumed(tmp_path, handle)
        assert part.inodes() == [inode(handle)]

        part.confirm(lambda _: found)

        assert part.inodes() == []
        file = part.follow(handle)  # it may be followed still, from a first reading on
        assert file is not None
        assert file.is_unread
        part.forget_all()


def test_what_was_confirmed_once_is_not_asked_about_again(tmp_path: Path) -> None:
    with large(tmp_path) as handle:
        part, listed = assumed(tmp_path, handle)
        part.confirm(lambda _: listed.digest())

        part.confirm(lambda _: b"")  # it is pending now, since it is written to

        assert part.inodes() == [inode(handle)]
        part.forget_all()


def test_what_is_assumed_of_files_stays_small(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(followed_files, "EXTENTS_MOST", 0)
    with large(tmp_path) as handle:
        part, _ = assumed(tmp_path, handle)

        assert part.inodes() == []
        part.forget_all()


def test_watched_as_if_just_read_it_tells_what_is_written_and_what_became_longer(
    tmp_path: Path,
) -> None:
    part = traced(tmp_path)
    with large(tmp_path, size=SIZE + 5) as handle:
        assert part.follow_as_read(handle)
        part.look(NOTHING, "")
        assert part.dirty_bytes(inode(handle)) == 0

        os.pwrite(handle, b"1.42 m", SIZE + pieces.PIECE)
        part.look(hit(2), "")

        assert part.dirty_bytes(inode(handle)) == 3 * pieces.PIECE  # one written, two at the end
        part.forget_all()


def test_what_a_pause_took_is_known_to_the_next_run(tmp_path: Path) -> None:
    with large(tmp_path) as handle, spool_in(tmp_path) as spool:
        first = traced(tmp_path)
        read(first, handle)
        os.pwrite(handle, b"1.42 m" * 10_000, SIZE)
        listed = captured(first, handle, spool, NOTHING)
        kept = remembered(first, listed.digest())
        first.forget_all()

        second = traced(tmp_path)
        second.resume(handle, kept, lambda: listed)
        second.look(NOTHING, "")

        assert second.dirty_bytes(inode(handle)) == 0
        second.forget_all()


def test_a_file_that_the_disk_does_not_take_is_followed_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was read of it may be thrown away, and old data show again at the same place."""

    def failing(_: int) -> None:
        raise OSError(errno.EIO, "input/output error")

    part = traced(tmp_path)
    with large(tmp_path) as handle, large(tmp_path, "other") as other:
        inode = os.fstat(handle).st_ino
        assert part.follow(handle)
        monkeypatch.setattr(os, "fdatasync", failing)

        part.write_out()

        assert not part.holds(inode)
        assert part.follow(handle) is None
        assert part.follow(other)
    part.forget_all()
