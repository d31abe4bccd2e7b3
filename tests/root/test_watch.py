"""Change detection on a real ext4: exact, from round to round and from one night to the next."""

from __future__ import annotations

import errno
import fcntl
import mmap
import os
import re
import struct
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import pytest

from holdstill.board import ctime_window, inode_table_detector
from holdstill.board.change_detection import ChangedInodes, EverythingMayHaveChanged
from holdstill.board.ctime_window import InodeClock
from holdstill.board.inode_table_detector import InodeTableDetector
from holdstill.board.inode_tables import InodeTables
from holdstill.system import byte_source, clocks
from support import loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.loop import LoopDisk

SETTLING = 0.1
"""Seconds after which what was done is no longer recent: five margins of stamps.MARGIN_NS."""
FS_IOC_SETFLAGS = 0x40086602  # linux/fs.h


def stamps_of_this_machine() -> InodeClock:
    return InodeClock(clocks.SystemClock(), clocks.coarse_now_ns)


@contextmanager
def watching(top: Path, device: Path) -> Iterator[InodeTableDetector]:
    """Watch a mounted file system."""
    with (
        byte_source.opened(device) as source,
        ExitStack() as undo,
    ):
        root = os.open(top, os.O_RDONLY | os.O_DIRECTORY)
        undo.callback(os.close, root)
        yield InodeTableDetector(root, InodeTables(source), stamps_of_this_machine())


@contextmanager
def volume(folder: Path, *mkfs: str, options: str = "noatime") -> Iterator[tuple[Path, Path]]:
    with loop.ext4_volume(folder, mkfs=mkfs, options=options) as top:
        (device,) = loop.loops_of(folder / "volume.img")
        yield top, Path(device)


def changed(detector: InodeTableDetector) -> frozenset[int]:
    """Return what a round reports, and confirm it."""
    changes = detector.changes()
    assert isinstance(changes, ChangedInodes)
    detector.confirm()
    return changes.numbers


def start(detector: InodeTableDetector, top: Path, *, settling: float = SETTLING) -> None:
    """Take the first look, at a moment when nothing is recent."""
    for path in (top, top / "lost+found"):
        path.touch()  # mkfs has given them a ctime of whole seconds
    time.sleep(settling)
    assert isinstance(detector.changes(), EverythingMayHaveChanged)
    detector.confirm()


def inode(path: Path) -> int:
    return path.lstat().st_ino


@pytest.mark.parametrize(
    "mkfs",
    [
        (),
        ("-I", "128", "-O", "^metadata_csum"),
        ("-b", "1024", "-g", "1024", "-O", "meta_bg,^resize_inode"),
        ("-O", "^flex_bg,^64bit,^metadata_csum,uninit_bg"),
        ("-O", "bigalloc"),
        ("-b", "1024", "-I", "1024"),
    ],
)
def test_exactly_the_changed_inodes_are_reported(tmp_path: Path, mkfs: tuple[str, ...]) -> None:
    with volume(tmp_path, "-N", "4000", *mkfs) as (top, device), watching(top, device) as detector:
        paths = [top / f"{number:04}" for number in range(2000)]
        for path in paths:
            path.write_bytes(b"1.42 m")
        # With 128 bytes an inode knows whole seconds, and what is of this one is suspect.
        settling = 2.1 if "128" in mkfs else SETTLING
        start(detector, top, settling=settling)

        for path in paths[::4]:
            with path.open("r+b") as file:
                file.write(b"2")
        found = changed(detector)

        assert found == {inode(path) for path in paths[::4]}
        # What was changed just now is looked at once more; and then no more.
        time.sleep(settling)
        assert changed(detector) <= found
        assert changed(detector) == frozenset()


def set_flags(path: Path, flags: int) -> None:
    handle = os.open(path, os.O_RDONLY)
    fcntl.ioctl(handle, FS_IOC_SETFLAGS, struct.pack("Q", flags))
    os.close(handle)


def test_changes_of_attributes_alone_are_reported(tmp_path: Path) -> None:
    with volume(tmp_path) as (top, device), watching(top, device) as detector:
        names = ("mode", "owner", "time", "flags", "xattr", "size", "untouched")
        files = {name: top / name for name in names}
        for path in files.values():
            path.write_bytes(b"1.42 m")
        start(detector, top)

        files["mode"].chmod(0o600)
        os.chown(files["owner"], 1000, 1000)
        os.utime(files["time"], ns=(1, 1))
        set_flags(files["flags"], 0x80040)  # nodump, beside extents
        os.setxattr(files["xattr"], "user.a", b"1")
        os.truncate(files["size"], 3)

        assert changed(detector) == {inode(files[name]) for name in names[:-1]}


def test_what_happens_to_names_is_reported_by_directories(tmp_path: Path) -> None:
    with volume(tmp_path) as (top, device), watching(top, device) as detector:
        for name in ("a", "b", "c", "c/d", "untouched"):
            (top / name).mkdir()
        (top / "a/f").write_bytes(b"x")
        (top / "untouched/g").write_bytes(b"x")
        start(detector, top)

        (top / "a/f").rename(top / "b/f")
        (top / "c/d").rename(top / "d")

        wanted = {
            inode(path) for path in (top, top / "a", top / "b", top / "b/f", top / "c", top / "d")
        }
        assert changed(detector) == wanted


def test_reading_is_no_change(tmp_path: Path) -> None:
    with (
        volume(tmp_path, options="strictatime") as (top, device),
        watching(top, device) as detector,
    ):
        (top / "f").write_bytes(b"x")
        start(detector, top)
        before = (top / "f").stat().st_atime_ns

        (top / "f").read_bytes()
        found = changed(detector)

        assert (top / "f").stat().st_atime_ns != before
        assert found == frozenset()


def test_a_store_into_a_page_that_is_dirty_already_is_not_missed(tmp_path: Path) -> None:
    with volume(tmp_path) as (top, device), watching(top, device) as detector:
        (top / "shared").write_bytes(bytes(4096))
        start(detector, top)
        with (top / "shared").open("r+b") as file, mmap.mmap(file.fileno(), 0) as mapped:
            mapped[0] = 1
            first = changed(detector)  # it is copied after this, while the page is clean
            mapped[1] = 1  # moves the ctime
            stamp = (top / "shared").stat().st_ctime_ns
            second = changed(detector)
            mapped[2] = 1
            third = changed(detector)

            assert inode(top / "shared") in first & second & third
            assert stamp != 0


def test_the_hole_that_the_suspects_close_is_real(tmp_path: Path) -> None:
    """A store that moves no time stamp can follow a look: only the suspects catch it."""
    with volume(tmp_path) as (top, device), watching(top, device) as detector:
        (top / "shared").write_bytes(bytes(4096))
        start(detector, top)
        with (top / "shared").open("r+b") as file, mmap.mmap(file.fileno(), 0) as mapped:
            with byte_source.opened(device) as source:
                tables = InodeTables(source)
                mapped[0] = 1  # between the sync and the look: the page is dirty now
                before, _ = inode_table_detector.compare(None, tables)
                mapped[1] = 1  # after the look, into the same dirty page
                _, differing = inode_table_detector.compare(before, tables)
            reported = changed(detector)

        assert inode(top / "shared") not in differing  # the tables do not tell
        assert inode(top / "shared") in reported
        suspects = changed(detector)
        assert inode(top / "shared") in suspects  # and the next round looks once more


def test_a_change_within_the_tick_of_a_look_is_reported_by_the_next(tmp_path: Path) -> None:
    with volume(tmp_path) as (top, device), watching(top, device) as detector:
        path = top / "f"
        path.write_bytes(b"x")
        start(detector, top)
        for number in range(50):
            path.write_bytes(b"%d" % number)
            changed(detector)
            path.write_bytes(b"%d" % (number + 1))

            assert inode(path) in changed(detector)


def test_what_was_reported_is_reported_again_until_it_is_confirmed(tmp_path: Path) -> None:
    with volume(tmp_path) as (top, device), watching(top, device) as detector:
        (top / "f").write_bytes(b"x")
        (top / "g").write_bytes(b"x")
        start(detector, top)

        (top / "f").write_bytes(b"2")
        detector.changes()
        time.sleep(SETTLING)
        detector.changes()
        (top / "g").write_bytes(b"2")
        found = changed(detector)

        assert found == {inode(top / "f"), inode(top / "g")}


def test_doubts_are_reported(tmp_path: Path) -> None:
    with volume(tmp_path) as (top, device), watching(top, device) as detector:
        start(detector, top)
        detector.doubt({77})

        assert changed(detector) == {77}
        assert changed(detector) == frozenset()


def test_a_night_with_a_reboot_leaves_no_gap(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=64 << 20)
    programs.run("mkfs.ext4", "-q", "-F", image)
    with loop.attached(image) as disk:
        with loop.mounted(disk.device, tmp_path / "m") as top:
            for number in range(50):
                (top / f"{number}").write_bytes(b"1.42 m")
            with watching(top, disk.device) as detector:
                start(detector, top)
                kept = detector.remember("the index of capture 7")
        with loop.mounted(disk.device, tmp_path / "m") as top:
            (top / "7").write_bytes(b"1.43 m")  # while nobody watches
            (top / "8").unlink()
        with loop.mounted(disk.device, tmp_path / "m") as top, watching(top, disk.device) as later:
            later.start_from(kept, bound_to="the index of capture 7")
            found = changed(later)

            assert {inode(top / "7"), inode(top)} <= found
            assert len(found) == 3  # and the inode that was freed


@contextmanager
def remembered(folder: Path) -> Iterator[tuple[LoopDisk, bytes]]:
    """Look once at a small file system; yields it unmounted, with what was remembered."""
    image = loop.blank_image(folder / "card.img", size=64 << 20)
    programs.run("mkfs.ext4", "-q", "-F", "-E", "resize=262144", image, "16M")
    with loop.attached(image) as disk:
        with (
            loop.mounted(disk.device, folder / "m") as top,
            watching(top, disk.device) as detector,
        ):
            (top / "f").write_bytes(b"x")
            start(detector, top)
            kept = detector.remember("7")
        yield disk, kept


def why_everything(folder: Path, disk: LoopDisk, kept: bytes, *, bound_to: str = "7") -> str:
    with loop.mounted(disk.device, folder / "m") as top, watching(top, disk.device) as detector:
        detector.start_from(kept, bound_to=bound_to)
        changes = detector.changes()
        return changes.why if isinstance(changes, EverythingMayHaveChanged) else ""


def test_after_a_look_that_was_broken_off_everything_is_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(_: InodeTables) -> NoReturn:
        raise OSError(errno.EIO, "input/output error")

    with volume(tmp_path) as (top, device), watching(top, device) as detector:
        start(detector, top)
        (top / "readings").write_bytes(b"1.42 m")
        with monkeypatch.context() as patch:
            patch.setattr(InodeTables, "times", failing)
            with pytest.raises(OSError, match="input/output"):
                detector.changes()

        found = detector.changes()
        assert isinstance(found, EverythingMayHaveChanged)
        assert "broken off" in found.why
        detector.confirm()
        assert inode(top / "readings") in changed(detector)


def test_a_good_memory_is_believed(tmp_path: Path) -> None:
    with remembered(tmp_path) as (disk, kept):
        assert why_everything(tmp_path, disk, kept) == ""


def test_a_memory_of_another_index_is_not_believed(tmp_path: Path) -> None:
    with remembered(tmp_path) as (disk, kept):
        assert "another index" in why_everything(tmp_path, disk, kept, bound_to="8")


def test_after_a_repair_nothing_is_believed(tmp_path: Path) -> None:
    with remembered(tmp_path) as (disk, kept):
        time.sleep(1.1)  # the moment of the last check has whole seconds
        programs.run("e2fsck", "-f", "-y", disk.device)

        assert "repaired" in why_everything(tmp_path, disk, kept)


def test_of_another_file_system_nothing_is_believed(tmp_path: Path) -> None:
    with remembered(tmp_path) as (disk, kept):
        programs.run("mkfs.ext4", "-q", "-F", disk.device, "16M")

        assert "anew" in why_everything(tmp_path, disk, kept)


def test_the_first_look_says_that_it_is_the_first(tmp_path: Path) -> None:
    with remembered(tmp_path) as (disk, _):
        assert "no earlier look" in why_everything(tmp_path, disk, b"")


def test_a_memory_that_is_lost_or_damaged_is_not_believed(tmp_path: Path) -> None:
    with remembered(tmp_path) as (disk, kept):
        assert why_everything(tmp_path, disk, b"")
        assert why_everything(tmp_path, disk, kept[:-1])


def test_groups_that_are_added_while_it_is_watched_are_looked_at(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=64 << 20)
    programs.run(
        "mkfs.ext4", "-q", "-F", "-b", "1024", "-O", "^metadata_csum,^uninit_bg", image, "16M"
    )
    with byte_source.opened(image) as source:
        tables = InodeTables(source)
        before, _ = inode_table_detector.compare(None, tables)
        groups = len(before.seconds)

        # Of an image: here the kernel lets nobody resize what is mounted.
        programs.run("resize2fs", image)
        after, _ = inode_table_detector.compare(before, tables)

    assert len(after.seconds) > groups
    assert sum(map(len, after.seconds.values())) == 4 * inodes_of(image)


def inodes_of(image: Path) -> int:
    said = programs.run("dumpe2fs", "-h", image).decode()
    return int(re.findall(r"Inode count:\s+(\d+)", said)[0])


def test_a_million_inodes_are_looked_at_in_little_memory(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "large.img", size=3 << 30)
    programs.run(
        "mkfs.ext4", "-q", "-F", "-N", "1000000", "-O", "^uninit_bg,^metadata_csum", image
    )
    with loop.attached(image) as disk, byte_source.opened(disk.device) as source:
        tables = InodeTables(source)

        seen, _ = inode_table_detector.compare(None, tables)
        was = dict(seen.seconds)
        again, differing = inode_table_detector.compare(seen, tables)

    total = sum(map(len, again.seconds.values())) + sum(map(len, again.fractions.values()))
    assert total == 8 * tables.superblock.inodes  # bytes: one look
    assert differing == frozenset()
    # Two looks share what did not change, and what did goes as it is compared.
    assert all(again.seconds[first] is was[first] for first in was)
    assert not seen.seconds
    assert not seen.fractions
    assert ctime_window.MARGIN_NS < SETTLING * 1e9
