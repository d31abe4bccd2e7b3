"""The scanner against real file systems: exact, and without leaving a trace."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import scan
from holdstill.board.inode_tables import InodeTables
from holdstill.board.path_filter import PathFilter
from holdstill.board.scan import Scanner
from holdstill.model.entries import EntryType, Omitted, key
from holdstill.system import bare_mount, byte_source, ioctl
from support import loop, programs, reference_tree
from support.random_changes import Turmoil

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.entries import Entry

EVERYTHING = PathFilter(exclude=())


@contextmanager
def volume(folder: Path, *, options: str = "strictatime") -> Iterator[tuple[Path, Path]]:
    """Mount an ext4; yields where, and its device."""
    with loop.ext4_volume(folder, options=options) as top:
        (device,) = loop.loops_of(folder / "volume.img")
        yield top, Path(device)


def scanned(top: Path, rules: PathFilter = EVERYTHING) -> dict[bytes, Entry]:
    with scan.opened_root(os.fsencode(top)) as root:
        return {entry.path: entry for entry in Scanner(root, rules).walk()}


def without_digest(entries: dict[bytes, Entry]) -> dict[bytes, Entry]:
    return {path: entry._replace(digest=b"") for path, entry in entries.items()}


@pytest.mark.parametrize("inode_size", ["128", "256", "1024"])
def test_both_ways_of_scanning_find_what_is_there(tmp_path: Path, inode_size: str) -> None:
    image = loop.blank_image(tmp_path / "i", size=64 << 20)
    programs.run("mkfs.ext4", "-q", "-F", "-I", inode_size, image)
    with loop.attached(image) as disk, loop.mounted(disk.device, tmp_path / "m") as top:
        turmoil = Turmoil(top, 7)
        turmoil.steps(400)
        turmoil.close()
        make_every_kind(top / "kinds")
        programs.run("sync", "--file-system", top)

        true = without_digest(reference_tree.entries(top))
        opening = scanned(top)
        with (
            byte_source.opened(disk.device) as source,
            scan.opened_root(os.fsencode(top)) as root,
        ):
            scanner = Scanner(root, EVERYTHING, inodes=InodeTables(source))
            reading = {entry.path: entry for entry in scanner.walk()}

    assert len(true) > 20
    assert {entry.type for entry in true.values()} == set(EntryType)
    assert reference_tree.differences(reading, true) == []
    assert without_generations(opening) == without_generations(true)


def make_every_kind(folder: Path) -> None:
    folder.mkdir()
    (folder / "file").write_bytes(b"x")
    (folder / "link").symlink_to("file")
    os.link(folder / "file", folder / "other")
    os.mkfifo(folder / "pipe")
    os.mknod(folder / "character", 0o20600, os.makedev(1, 3))
    os.mknod(folder / "block", 0o60600, os.makedev(259, 1_000_000))
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(os.fsencode(folder / "socket"))


def without_generations(entries: dict[bytes, Entry]) -> dict[bytes, Entry]:
    """The generation of what cannot be opened is known from the inode table only."""
    opened = {EntryType.FILE, EntryType.DIRECTORY}
    return {
        path: e if e.type in opened else e._replace(seen=e.seen._replace(generation=0))
        for path, e in entries.items()
    }


def test_entries_come_in_key_order_the_root_first(tmp_path: Path) -> None:
    for name in ("a/b", "a-b/c", "a/b/c/d", "b", "a.b"):
        (tmp_path / name).mkdir(parents=True, exist_ok=True)

    with scan.opened_root(os.fsencode(tmp_path)) as root:
        keys = [key(entry) for entry in Scanner(root, EVERYTHING).walk()]

    assert keys[0] == (b"", b"")
    assert keys == sorted(keys)
    assert len(keys) == 9


def test_what_is_hidden_below_a_mount_point_is_seen_as_on_the_medium(tmp_path: Path) -> None:
    with volume(tmp_path) as (top, _):
        point = top / "mnt"
        point.mkdir(mode=0o710)
        os.chown(point, 1000, 50)
        (point / "hidden").write_bytes(b"on the card")
        programs.run("mount", "-t", "tmpfs", "-o", "mode=777", "tmpfs", point)
        try:
            (point / "above").write_bytes(b"in memory")
            found = scanned(top)
        finally:
            programs.run("umount", point)

        assert found[b"mnt"].mode == 0o710
        assert (found[b"mnt"].uid, found[b"mnt"].gid) == (1000, 50)
        assert found[b"mnt/hidden"].size == 11
        assert b"mnt/above" not in found


def test_the_older_way_to_look_below_mount_points_works_too(tmp_path: Path) -> None:
    with volume(tmp_path) as (top, _):
        (top / "mnt").mkdir()
        (top / "mnt/hidden").write_bytes(b"x")
        programs.run("mount", "-t", "tmpfs", "tmpfs", top / "mnt")
        before = Path("/proc/self/mountinfo").read_bytes()
        try:
            handle = bare_mount._open_bind_mount(os.fsencode(top))
            after = Path("/proc/self/mountinfo").read_bytes()
            hidden = [path.name for path in Path(f"/proc/self/fd/{handle}/mnt").iterdir()]
            os.close(handle)
        finally:
            programs.run("umount", top / "mnt")

    assert hidden == ["hidden"]
    assert after == before


def test_who_may_not_look_below_a_mount_point_says_so(tmp_path: Path) -> None:
    with volume(tmp_path) as (top, _):
        (top / "mnt").mkdir()
        (top / "mnt/hidden").write_bytes(b"x")
        programs.run("mount", "-t", "tmpfs", "-o", "mode=701", "tmpfs", top / "mnt")
        root = os.open(top, os.O_RDONLY | os.O_DIRECTORY)
        try:
            scanner = Scanner(root, EVERYTHING)
            found = {entry.path: entry for entry in scanner.walk()}
        finally:
            os.close(root)
            programs.run("umount", top / "mnt")

    assert found[b"mnt"].type is EntryType.DIRECTORY
    assert b"mnt/hidden" not in found
    assert [trouble.path for trouble in scanner.troubles] == [b"mnt"]


def test_a_scan_moves_no_access_time_of_files_and_directories(tmp_path: Path) -> None:
    with volume(tmp_path) as (top, _):
        (top / "d").mkdir()
        (top / "d/f").write_bytes(b"x")
        os.setxattr(top / "d/f", "user.a", b"1")
        for path in (top / "d/f", top / "d", top):
            os.utime(path, ns=(1, 1))

        scanned(top)
        with scan.opened_root(os.fsencode(top)) as root:
            scanner = Scanner(root, EVERYTHING)
            entry = scanner.find(b"d/f")
            assert entry is not None
            handle = scanner.open(entry)
            os.read(handle, 1)
            os.close(handle)
        times = [path.lstat().st_atime_ns for path in (top / "d/f", top / "d", top)]

    assert times == [1, 1, 1]


def test_a_frozen_file_system_can_be_scanned(tmp_path: Path) -> None:
    with volume(tmp_path) as (top, _), loop.thaw_guard(top, seconds=10):
        (top / "f").write_bytes(b"x")
        (top / "l").symlink_to("f")
        mount = os.open(top, os.O_RDONLY)
        ioctl.freeze(mount)
        try:
            found = scanned(top)
        finally:
            ioctl.thaw(mount)
            os.close(mount)

    assert set(found) == {b"", b"f", b"l", b"lost+found"}


def test_pipes_sockets_and_devices_are_never_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    # Opening a character device without a driver answers ENXIO: it would be in the troubles.
    os.mknod(tmp_path / "device", 0o20600, os.makedev(251, 77))

    with scan.opened_root(os.fsencode(tmp_path)) as root:
        scanner = Scanner(root, EVERYTHING)
        found = {entry.path: entry for entry in scanner.walk()}

    assert found[b"pipe"].type is EntryType.FIFO
    assert found[b"device"].rdev == os.makedev(251, 77)
    assert scanner.troubles == []


def test_rules_decide_what_is_entered(tmp_path: Path) -> None:
    for name in ("tmp/x", "srv/a.log", "srv/b.txt", "var/tmp/keep/y", "var/tmp/z"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "run").symlink_to("tmp")
    rules = PathFilter(
        exclude=("/tmp", "/run", "/var/tmp", "/srv/*.log"),  # noqa: S108
        include=("/var/tmp/keep",),  # noqa: S108
    )

    assert set(scanned(tmp_path, rules)) == {
        b"", b"tmp", b"run", b"srv", b"srv/b.txt", b"var", b"var/tmp", b"var/tmp/keep",
        b"var/tmp/keep/y",
    }  # fmt: skip


def test_a_swap_file_is_entered_without_content(tmp_path: Path) -> None:
    (tmp_path / "swap").write_bytes(b"secret")

    found = scanned(tmp_path, PathFilter(swap_files=frozenset({b"/swap"})))

    assert found[b"swap"].omitted is Omitted.SWAP
    assert found[b"swap"].size == 6


def test_a_path_that_is_too_deep_is_reported_and_left_out(tmp_path: Path) -> None:
    here = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    for _ in range(260):
        os.mkdir("d", dir_fd=here)
        below = os.open("d", os.O_RDONLY | os.O_DIRECTORY, dir_fd=here)
        os.close(here)
        here = below
    os.close(here)

    with scan.opened_root(os.fsencode(tmp_path)) as root:
        scanner = Scanner(root, EVERYTHING)
        count = sum(1 for _ in scanner.walk())

    assert count == 256
    assert [trouble.reason for trouble in scanner.troubles] == ["its path is too long or too deep"]
    programs.run("rm", "-rf", tmp_path / "d")


def test_a_directory_that_is_another_one_by_now_is_doubted(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    with scan.opened_root(os.fsencode(tmp_path)) as root:
        scanner = Scanner(root, EVERYTHING)
        entry = scanner.find(b"a")
        assert entry is not None
        (tmp_path / "a").rename(tmp_path / "b")
        (tmp_path / "a").mkdir()

        with scanner.opened_directory(b"a", entry.seen.inode) as handle:
            assert handle is None

    assert scanner.doubtful == {entry.seen.inode}


def test_c3_file_changes_type_no_symlink_is_followed_on_the_way_to_a_content(
    tmp_path: Path,
) -> None:
    (tmp_path / "d").mkdir()
    (tmp_path / "d/f").write_bytes(b"x")
    with scan.opened_root(os.fsencode(tmp_path)) as root:
        scanner = Scanner(root, EVERYTHING)
        entry = scanner.find(b"d/f")
        assert entry is not None
        (tmp_path / "d").rename(tmp_path / "e")
        (tmp_path / "d").symlink_to("e")

        with pytest.raises(OSError, match="symbolic links"):
            scanner.open(entry)


SCAN_AS_NOBODY = """\
import os, sys
from holdstill.board import scan
from holdstill.board.path_filter import PathFilter
os.setgroups([]); os.setgid(65534); os.setuid(65534)
with scan.opened_root(os.fsencode(sys.argv[1])) as root:
    scanner = scan.Scanner(root, PathFilter(exclude=()))
    print(sorted((e.path, e.size) for e in scanner.walk()))
    print([t.path for t in scanner.troubles])
"""


def test_who_is_not_root_gets_what_may_be_seen(tmp_path: Path) -> None:
    top = tmp_path / "board"
    for folder in (*tmp_path.parents, tmp_path):
        if str(folder).startswith("/tmp/"):  # noqa: S108
            folder.chmod(folder.stat().st_mode | 0o055)
    (top / "closed").mkdir(parents=True)
    (top / "closed").chmod(0o700)
    (top / "secret").write_bytes(b"1234")
    (top / "secret").chmod(0o600)

    said = subprocess.run(
        [sys.executable, "-c", SCAN_AS_NOBODY, top], capture_output=True, check=True, timeout=20
    ).stdout.decode()

    entries, troubles = said.splitlines()
    assert "(b'secret', 4)" in entries
    assert "(b'closed', 0)" in entries
    assert troubles == "[b'closed']"


SCAN_A_LARGE_DIRECTORY = """\
import os, resource, sys
from holdstill.board import scan
from holdstill.board.path_filter import PathFilter
def peak(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
with scan.opened_root(os.fsencode(sys.argv[1])) as root:
    before = peak()
    print(sum(1 for _ in scan.Scanner(root, PathFilter(exclude=())).walk()))
    print(peak() - before)
"""


def test_memory_stays_flat_however_many_files_there_are(tmp_path: Path) -> None:
    for number in range(20_000):
        (tmp_path / f"reading-{number}").touch()

    said = subprocess.run(
        [sys.executable, "-c", SCAN_A_LARGE_DIRECTORY, tmp_path],
        capture_output=True, check=True, timeout=20,
    ).stdout.split()  # fmt: skip

    programs.run("rm", "-rf", tmp_path)  # pytest would keep them all for a while

    assert int(said[0]) == 20_001
    # 20,000 entries of about 1 KiB would be 20 MiB; names alone are a tenth of that.
    assert int(said[1]) < 8 * 1024
