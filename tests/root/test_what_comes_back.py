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

from holdstill.system import loop as system_loop
from holdstill.system.process import LocalRunner
from support import boards, loop, programs
from support.boards import Board, holdstill
from support.loop import MIB, LoopDisk
from support.vm.board import PROJECT

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = pytest.mark.timeout(180)

SIZE = 360 * MIB
SCRIPT = boards.MBR.replace("type=83", f"size={SIZE // 512}, type=83")
UUID = "8b2d6a34-93f1-4b0e-8c55-0a1b2c3d4e5f"
KINDS = {
    "ext4": ("mkfs.ext4", "-q", "-U", UUID),
    "ext3": ("mkfs.ext3", "-q", "-U", UUID),
    "ext2": ("mkfs.ext2", "-q", "-U", UUID),
    "xfs": ("mkfs.xfs", "-q", "-m", f"uuid={UUID}"),
    "btrfs": ("mkfs.btrfs", "-q", "-U", UUID),
}
ODD = b"odd \xff\nname"


def table() -> dict[str, dict[str, str]]:
    """Return README's cells: by column, then by row."""
    section = (PROJECT / "README.md").read_text(encoding="utf-8").partition("What comes back\n")[2]
    lines = [line for line in section.splitlines() if line.startswith("|")]
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    head, _, *body = rows
    return {kind: {row[0]: row[n] for row in body} for n, kind in enumerate(head) if n}


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
    for name, kind in (("pipe", stat.S_IFIFO), ("socket", stat.S_IFSOCK), ("null", stat.S_IFCHR)):
        os.mknod(at / name, kind | 0o620, os.makedev(1, 3))
    for name in ("owned", "mode", "capable", "listed", "noted", "flagged", "dated", "one"):
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
    os.utime(at / "dated", ns=(1_111_111_111_111_111_111, 1_600_000_000_123_456_789))


def attributes(path: Path, *names: str) -> dict[str, bytes]:
    return {name: os.getxattr(path, name) for name in names}


def node(path: Path) -> tuple[int, int]:
    about = path.lstat()
    return stat.S_IFMT(about.st_mode), about.st_rdev


def flags(path: Path) -> set[str]:
    """Return which of the flags that were set chattr's own counterpart shows."""
    return set(programs.run("lsattr", "-d", path).split()[0].decode()) & {"d", "A"}


ACLS = "system.posix_acl_access", "system.posix_acl_default"
ROWS: dict[str, Callable[[Path], object]] = {
    "names, any bytes": lambda at: {path.name for path in at.iterdir()} - {"lost+found"},
    "contents": lambda at: (at / "content").read_bytes(),
    "holes": lambda at: (at / "holes").stat().st_blocks * 512 < MIB,
    "symlinks, pipes, sockets, devices": lambda at: (
        (at / "link").readlink(), *(node(at / name) for name in ("pipe", "socket", "null")),
    ),
    "permissions, set-uid, sticky": lambda at: (at / "mode").stat().st_mode,
    "owner and group": lambda at: ((at / "owned").stat().st_uid, (at / "owned").stat().st_gid),
    "hard links": lambda at: (at / "one").samefile(at / "etc/other"),
    "modification time": lambda at: (at / "dated").stat().st_mtime_ns,
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


def seen(at: Path) -> dict[str, object]:
    """Return what each row is about, in a mounted tree."""
    return {row: look(at) for row, look in ROWS.items()}


def names_of(device: Path) -> bytes:
    """Return label and UUID."""
    return programs.run("blkid", "-p", "-s", "LABEL", "-s", "UUID", "-o", "export", device)


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
    image = loop.partitioned_image(folder / "card.img", size=410 * MIB, script=SCRIPT)
    with loop.attached(image) as disk:
        boot, root = disk.partition(1), disk.partition(2)
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", "-n", "BOOTFS", "-i", "A40D85E7", boot)
        boards.fill_boot(boot, folder)
        programs.run("mattrib", "+r", "+s", "-i", boot, "::/cmdline.txt")
        programs.run(*KINDS[kind], "-L", "rootfs", root)
        with loop.mounted(root, folder / "root", options="noatime") as at:
            with loop.thaw_guard(at, seconds=20):
                fill(at)
                yield Board(disk, at)
            with suppress(OSError):
                programs.attempt("fsfreeze", "--unfreeze", at)


@pytest.mark.parametrize("kind", KINDS)
def test_what_the_table_says_comes_back_and_the_rest_does_not(tmp_path: Path, kind: str) -> None:
    if kind in {"xfs", "btrfs"} and system_loop.obstacle(kind, LocalRunner()):
        pytest.skip(f"this kernel has no {kind}")
    image = tmp_path / "rebuilt.img"
    with boards.kept(tmp_path, Board(LoopDisk(tmp_path, tmp_path), tmp_path / "root")) as kept:
        with board(tmp_path, kind) as live:
            holdstill("capture", "--settings", kept.settings, accepted=(0, 8))
            before = seen(live.root)
            fat_before = seen_on_fat(live.disk.partition(1))
            ids = [names_of(live.disk.partition(number)) for number in (1, 2)]
        if kind == "btrfs":
            programs.run("btrfs", "device", "scan", "--forget")
        words = ("rebuild", "pier-3", image, "--store", kept.store)
        holdstill(*words, accepted=[boards.NO_KERNEL], timeout=150)
    with loop.attached(image) as disk:
        fat_after = seen_on_fat(disk.partition(1))
        ids_after = [names_of(disk.partition(number)) for number in (1, 2)]
        options = "ro,norecovery,nouuid" if kind == "xfs" else "ro,noatime"
        with loop.mounted(disk.partition(2), tmp_path / "again", options=options) as at:
            after = seen(at)

    found = {row: "yes" if before[row] == after[row] else "no" for row in ROWS}
    found["label and UUID"] = "yes" if ids[1] == ids_after[1] else "no"
    assert found == table()[kind]
    on_fat = {row: "yes" if fat_before[row] == fat_after[row] else "no" for row in fat_before}
    on_fat["label and UUID"] = "yes" if ids[0] == ids_after[0] else "no"
    assert on_fat == {row: cell for row, cell in table()["FAT"].items() if row in on_fat}
    # The rest of a FAT's column is what its directory entries have no room for (Microsoft, "FAT32
    # File System Specification" 1.03, "FAT Directory Structure"), and times that nobody writes.
    rest = {cell for row, cell in table()["FAT"].items() if row not in on_fat}
    assert rest == {"-", "no"}
