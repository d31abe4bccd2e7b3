"""Small real disks and file systems, for tests that must not start programs.

Made once by the reference tools and kept in tests/data/images; `python tests/support/images.py`
makes them again (e2fsprogs, dosfstools, mtools, util-linux; no root).
"""

from __future__ import annotations

import functools
import lzma
import os
import sys
import tempfile
from pathlib import Path

FOLDER = Path(__file__).parents[1] / "data" / "images"
UUID = "3e6be9de-8139-11d1-9106-a43f08d823a6"
KIB, MIB = 1 << 10, 1 << 20
EXT = ("ext4", "ext4-inline", "ext4-ea-inode", "ext2", "ext2-revision-0")
FAT = ("fat12", "fat16", "fat32")
TABLES = ("mbr", "gpt")
NAMES = (*EXT, *FAT, *TABLES, "swap")


@functools.cache
def load(name: str) -> bytes:
    """Return the bytes of an image."""
    return lzma.decompress((FOLDER / f"{name}.img.xz").read_bytes())


def make() -> None:
    """Make all of them again."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir="/var/tmp") as name:
        folder = Path(name)
        _tree(folder / "tree")
        for image in (*_ext(folder), *_fat(folder), *_tables(folder), _swap(folder)):
            (FOLDER / f"{image.name}.xz").write_bytes(lzma.compress(image.read_bytes()))


def _tree(top: Path) -> None:
    (top / "a" / "deep").mkdir(parents=True)
    (top / "a-b").mkdir()
    (top / "file").write_bytes(b"reading\n" * 300)
    (top / "tiny").write_bytes(b"tiny")
    (top / "medium").write_bytes(bytes(range(100)))
    (top / "empty").touch()
    (top / "a" / "deep" / "leaf").write_bytes(b"leaf")
    (top / "short").symlink_to("file")
    (top / "long").symlink_to("x" * 200)
    (top / "hard").write_bytes(b"two names")
    (top / "a" / "hard").hardlink_to(top / "hard")
    os.mkfifo(top / "fifo")
    with (top / "holes").open("wb") as file:
        for number in range(100):
            file.seek(number * 3 * KIB)
            file.write(b"%d" % number)
    (top / "many").mkdir()
    for number in range(60):
        (top / "many" / f"reading number {number:03} of the day").touch()


EXT_OPTIONS = {
    "ext4": ("-t", "ext4", "-O", "^has_journal,^resize_inode", "-b", "1024"),
    "ext4-inline": ("-t", "ext4", "-O", "^has_journal,inline_data,^64bit", "-b", "1024"),
    "ext4-ea-inode": (
        "-t", "ext4", "-O", "^has_journal,ea_inode,meta_bg,^resize_inode", "-b", "1024",
    ),
    "ext2": ("-t", "ext2", "-b", "1024"),
    "ext2-revision-0": ("-t", "ext2", "-r", "0", "-O", "none", "-b", "1024"),
}  # fmt: skip
DEBUGFS = """\
ea_set /tiny user.note tide
ea_set /file system.posix_acl_access -f acl
ea_set /medium user.large -f large
cd /
mknod node c 5 1
sif /tiny flags 0x80040
"""
ACL = "0200000001000600ffffffff02000600e803000004000400ffffffff10000600ffffffff20000000ffffffff"


def _ext(folder: Path) -> list[Path]:
    from support import programs  # noqa: PLC0415  only who makes images starts programs

    found = []
    (folder / "acl").write_bytes(bytes.fromhex(ACL))
    (folder / "large").write_bytes(b"L" * 1024)
    for name, options in EXT_OPTIONS.items():
        image = _blank(folder / f"{name}.img", 1500 * KIB)
        tree = str(folder / "tree")
        programs.run("mke2fs", "-q", "-F", "-N", "128", "-U", UUID, *options, "-d", tree, image)
        commands = DEBUGFS.replace("-f ", f"-f {folder}/").replace(" sif", "sif")
        if name == "ext2-revision-0":
            commands = "cd /\nmknod node c 5 1\n"
        elif name in {"ext2", "ext4-inline"}:
            commands = commands.replace("0x80040", "0x40" if name == "ext2" else "0x10000040")
        programs.run("debugfs", "-w", "-f", "-", image, stdin=commands.encode())
        programs.attempt("e2fsck", "-fyD", image)
        programs.run("e2fsck", "-fn", image)
        found.append(image)
    return found


def _fat(folder: Path) -> list[Path]:
    from support import programs  # noqa: PLC0415

    found = []
    top = folder / "fat"
    (top / "overlays" / "inner").mkdir(parents=True)
    (top / "CONFIG.TXT").write_bytes(b"kernel=k\n" * 200)
    (top / "A long name with ünïcode.txt").write_bytes(b"x" * 3000)
    (top / "overlays" / "disable-bt.dtbo").write_bytes(b"dtbo")
    (top / "overlays" / "inner" / "empty").touch()
    for bits, size in ((12, 300 * KIB), (16, 5 * MIB), (32, 34 * MIB)):
        image = _blank(folder / f"fat{bits}.img", size)
        programs.run(
            "mkfs.vfat", "-F", str(bits), "-s", "1", "-n", "PIER", "-i", "A40D85E7", image
        )
        programs.run("mcopy", "-i", image, "-s", "-m", "-Q", *sorted(top.iterdir()), "::/")
        found.append(image)
    return found


MBR = """\
label: dos
label-id: 0x9a3c5d2e
start=64, size=64, type=c, bootable
start=256, size=1024, type=f
start=300, size=50, type=83
start=400, size=100, type=82
start=600, size=10, type=83
"""
GPT = f"""\
label: gpt
label-id: {UUID}
first-lba: 34
start=64, size=64, type=uefi, name="boot", uuid={UUID}, attrs="RequiredPartition GUID:48"
start=256, size=1024, type=linux, name="root"
"""


def _tables(folder: Path) -> list[Path]:
    from support import programs  # noqa: PLC0415

    found = []
    for name, script in (("mbr", MBR), ("gpt", GPT)):
        image = _blank(folder / f"{name}.img", MIB)
        programs.run("sfdisk", "-q", image, stdin=script.encode())
        with image.open("r+b") as file:
            file.seek(40 * 512)
            file.write(b"loader")
        found.append(image)
    return found


def _swap(folder: Path) -> Path:
    from support import programs  # noqa: PLC0415

    image = _blank(folder / "swap.img", 80 * KIB)
    programs.run("mkswap", "-q", "-U", UUID, "-L", "still", image)
    return image


def _blank(path: Path, size: int) -> Path:
    with path.open("wb") as file:
        file.truncate(size)
    return path


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))
    make()
