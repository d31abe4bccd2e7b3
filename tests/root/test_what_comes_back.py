"""README's table of what comes back, against what does: seen by the kernel and by mtools.

The tree has one thing for each row. A cell says yes if it is the same on the rebuilt card, no if
it is not, and "-" if this kind of file system does not take it in the first place.
"""

from __future__ import annotations

import os
import re
import stat
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

import pytest

from holdstill.system import loop_device
from holdstill.system.process import LocalRunner
from support import boards, loop, programs, readme_table
from support.boards import Board, holdstill
from support.loop import MIB, LoopDisk

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = pytest.mark.timeout(180)

SIZE = 360 * MIB
SCRIPT = boards.MBR.replace("type=83", f"size={SIZE // 512}, type=83")
SCRIPT += "size=16384, type=82\nsize=8192, type=da\n"
SWAP = ("-L", "swap-3", "-U", "51a4d5c7-2f0e-4b9a-9c3d-7e1f2a3b4c5d")
RAW = os.urandom(4 * MIB)
"""What is in a partition of a kind that nobody knows."""
UUID = "8b2d6a34-93f1-4b0e-8c55-0a1b2c3d4e5f"
KINDS = {
    "ext4": ("mkfs.ext4", "-q", "-U", UUID),
    "ext3": ("mkfs.ext3", "-q", "-U", UUID),
    "ext2": ("mkfs.ext2", "-q", "-U", UUID),
    "xfs": ("mkfs.xfs", "-q", "-m", f"uuid={UUID}"),
    "btrfs": ("mkfs.btrfs", "-q", "-U", UUID),
}
ODD = b"odd \xff\nname"
FILES = ("owned", "mode", "capable", "listed", "noted", "flagged", "dated", "early", "late", "one")
NODES = {
    "pipe": (stat.S_IFIFO, 0),
    "socket": (stat.S_IFSOCK, 0),
    "null": (stat.S_IFCHR, os.makedev(1, 3)),
    "disk": (stat.S_IFBLK, os.makedev(259, 70_000)),
}
MOMENTS = {
    "dated": 1_600_000_000_123_456_789,
    "early": -1_234_567_890_987_654_321,
    "late": 4_102_444_800_000_000_001,
}
"""In 2020, in 1930, and in 2100."""


def fill(at: Path) -> None:
    """Make one thing for each row; what a file system does not take is left out."""
    (at / "etc").mkdir()
    (at / "etc/fstab").write_text(f"UUID={UUID} / auto defaults 0 1\n", encoding="ascii")
    for odd in (ODD, b"n" * 255):
        (at / os.fsdecode(odd)).write_bytes(b"")
    (at / "content").write_bytes(os.urandom(300_000))
    with (at / "holes").open("wb") as sparse:
        sparse.seek(20 * MIB)
        sparse.write(b"end")
    (at / "link").symlink_to("x" * 900)
    for name, (kind, number) in NODES.items():
        os.mknod(at / name, kind | 0o620, number)
    for name in FILES:
        (at / name).write_bytes(b"1.42 m")
    os.chown(at / "owned", 70_000, 80_000)
    (at / "mode").chmod(0o6751)
    os.link(at / "one", at / "etc/other")
    programs.run("setcap", "cap_net_raw+ep", at / "capable")
    programs.run("setfacl", "-m", "u:1234:rw", at / "listed")
    programs.run("setfacl", "-m", "d:u:1234:rwx", at / "etc")
    for name in ("user.a", "trusted.b", "security.c"):
        os.setxattr(at / "noted", name, b"tide")
    programs.run("chattr", "+dA", at / "flagged")
    for name, moment in MOMENTS.items():
        os.utime(at / name, ns=(1_111_111_111_111_111_111, moment))


def attributes(path: Path, *names: str) -> dict[str, bytes]:
    return {name: os.getxattr(path, name) for name in names}


def nodes(at: Path) -> dict[str, tuple[int, int]]:
    """Return type and device number of each."""
    about = {name: (at / name).lstat() for name in NODES}
    return {name: (stat.S_IFMT(one.st_mode), one.st_rdev) for name, one in about.items()}


def moments(at: Path, *names: str) -> list[int]:
    return [(at / name).stat().st_mtime_ns for name in names]


def flags(path: Path) -> set[str]:
    """Return which of the flags that were set chattr's own counterpart shows."""
    return set(programs.run("lsattr", "-d", path).split()[0].decode()) & {"d", "A"}


ACLS = "system.posix_acl_access", "system.posix_acl_default"
ROWS: dict[str, Callable[[Path], object]] = {
    "names, any bytes": lambda at: {path.name for path in at.iterdir()} - {"lost+found"},
    "contents": lambda at: (at / "content").read_bytes(),
    "holes": lambda at: (at / "holes").stat().st_blocks * 512 < MIB,
    "symlinks": lambda at: str((at / "link").readlink()),
    "pipes, sockets, devices": nodes,
    "permissions, set-uid, sticky": lambda at: (at / "mode").stat().st_mode,
    "owner and group": lambda at: ((at / "owned").stat().st_uid, (at / "owned").stat().st_gid),
    "hard links": lambda at: (at / "one").samefile(at / "etc/other"),
    "modification time": lambda at: moments(at, "dated"),
    "times before 1970 and after 2038": lambda at: moments(at, "early", "late"),
    "attributes: user, trusted, security": lambda at: attributes(
        at / "noted", "user.a", "trusted.b", "security.c"
    ),
    "capabilities of programs": lambda at: attributes(at / "capable", "security.capability"),
    "access control lists": lambda at: (
        attributes(at / "listed", ACLS[0]), attributes(at / "etc", ACLS[1]),
    ),
    "flags that chattr sets (FAT: attributes)": lambda at: flags(at / "flagged"),
    "time of last access": lambda at: (at / "dated").stat().st_atime_ns,
    "time of last change, of birth": lambda at: (at / "dated").stat().st_ctime_ns,
    "inode numbers": lambda at: [path.lstat().st_ino for path in sorted(at.iterdir())],
}  # fmt: skip


NEVER = {"time of last access", "time of last change, of birth"}


def seen(at: Path) -> dict[str, object]:
    """Return what each row is about, in a mounted tree."""
    return {row: look(at) for row, look in ROWS.items()}


def names_of(device: Path) -> bytes:
    """Return label and UUID."""
    return programs.run("blkid", "-p", "-s", "LABEL", "-s", "UUID", "-o", "value", device)


def seen_on_fat(device: Path) -> dict[str, object]:
    """Return what a FAT has, by mtools."""
    listing = programs.run("mdir", "-/", "-a", "-i", device, "::/").decode()
    files = [line for line in listing.splitlines() if "<DIR>" not in line]
    dates = [re.findall(r"\d+ \d{4}-\d\d-\d\d +\d+:\d\d", line) for line in files]
    return {
        "names, any bytes": programs.run("mdir", "-/", "-a", "-b", "-i", device, "::/"),
        "contents": programs.run("mtype", "-i", device, "::/cmdline.txt"),
        "modification time": dates,
        "flags that chattr sets (FAT: attributes)": programs.run(
            "mattrib", "-/", "-i", device, "::/"
        ),
    }


@contextmanager
def board(folder: Path, kind: str) -> Iterator[Board]:
    image = loop.partitioned_image(folder / "card.img", size=440 * MIB, script=SCRIPT)
    with loop.attached(image) as disk:
        boot, root = disk.partition(1), disk.partition(2)
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", "-n", "BOOTFS", "-i", "A40D85E7", boot)
        boards.fill_boot(boot, folder)
        programs.run("mattrib", "+r", "+s", "-i", boot, "::/cmdline.txt")
        programs.run(*KINDS[kind], "-L", "rootfs", root)
        programs.run("mkswap", *SWAP, disk.partition(3))
        disk.partition(4).write_bytes(RAW)
        with loop.mounted(root, folder / "root", options="noatime") as at:
            with loop.thaw_guard(at, seconds=20):
                fill(at)
                yield Board(disk, at)
            with suppress(OSError):
                programs.attempt("fsfreeze", "--unfreeze", at)


MADE: dict[str, object] = {
    "names, any bytes": {"etc", "content", "holes", "link", "n" * 255, os.fsdecode(ODD)}
    | {*FILES, *NODES},
    "holes": True,
    "symlinks": "x" * 900,
    "pipes, sockets, devices": NODES,
    "permissions, set-uid, sticky": stat.S_IFREG | 0o6751,
    "owner and group": (70_000, 80_000),
    "hard links": True,
    "modification time": [MOMENTS["dated"]],
    "times before 1970 and after 2038": [MOMENTS["early"], MOMENTS["late"]],
    "attributes: user, trusted, security": dict.fromkeys(
        ("user.a", "trusted.b", "security.c"), b"tide"
    ),
    "flags that chattr sets (FAT: attributes)": {"d", "A"},
}
"""What each row must be about before anything is captured."""


@pytest.mark.parametrize("kind", KINDS)
def test_what_the_table_says_comes_back_and_the_rest_does_not(tmp_path: Path, kind: str) -> None:
    if kind in {"xfs", "btrfs"} and loop_device.obstacle(kind, LocalRunner()):
        pytest.skip(f"this kernel has no {kind}")
    image = tmp_path / "rebuilt.img"
    with boards.kept(tmp_path, Board(LoopDisk(tmp_path, tmp_path), tmp_path / "root")) as kept:
        with board(tmp_path, kind) as live:
            holdstill("capture", "--settings", kept.settings, accepted=(0, 8))
            before = seen(live.root)
            assert {row: before[row] for row in MADE} == MADE
            fat_before = seen_on_fat(live.disk.partition(1))
            ids = [names_of(live.disk.partition(number)) for number in (1, 2, 3)]
        if kind == "btrfs":
            programs.run("btrfs", "device", "scan", "--forget")
        words = ("rebuild", "pier-3", image, "--store", kept.store)
        holdstill(*words, accepted=[boards.NO_KERNEL], timeout=150)
    with loop.attached(image) as disk:
        fat_after = seen_on_fat(disk.partition(1))
        ids_after = [names_of(disk.partition(number)) for number in (1, 2, 3)]
        assert disk.partition(4).read_bytes() == RAW
        options = "ro,norecovery,nouuid" if kind == "xfs" else "ro,noatime"
        with loop.mounted(disk.partition(2), tmp_path / "again", options=options) as at:
            after = seen(at)

    found = {row: "yes" if before[row] == after[row] else "no" for row in ROWS}
    found["label and UUID"] = "yes" if ids[1] == ids_after[1] else "no"
    assert found == readme_table.cells()[kind]
    assert b"swap-3" in ids[2]
    assert ids_after[2] == ids[2]
    on_fat = {row: "yes" if fat_before[row] == fat_after[row] else "no" for row in fat_before}
    on_fat["label and UUID"] = "yes" if ids[0] == ids_after[0] else "no"
    # The rest of a FAT's column is what its directory entries have no room for (Microsoft, "FAT32
    # File System Specification" 1.03, "FAT Directory Structure"), and times that nobody writes.
    on_fat |= {row: "no" if row in NEVER else "-" for row in found if row not in on_fat}
    assert on_fat == readme_table.cells()["FAT"]
