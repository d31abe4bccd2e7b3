"""Loop devices in the dress of eMMCs with areas of their own, seen by the commands run here only.

There is no eMMC, and the kernel names its devices itself. So a command runs in a mount namespace
of its own, where /dev and the kernel's lists of block devices have further names for loop devices
(Linux Documentation/driver-api/mmc/mmc-dev-parts.rst: mmcblkNboot0, boot1, gp0, and `force_ro`).
"""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from support import loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from support.loop import LoopDisk

_CLASS = Path("/sys/class/block")
_DRESS = """
set -e
mount --rbind /dev {old}
mount --rbind {home}/dev /dev
for folder in {folders}; do mount --rbind {old}/$folder /dev/$folder; done
mount --bind {home}/block /sys/class/block
mount --bind {home}/block /sys/block
exec "$@"
"""


@dataclass(frozen=True)
class Wardrobe:
    """Names that loop devices have for the commands that are run here.

    Attributes:
        home: a folder with what is put over /dev and /sys/class/block.
        areas: devices behind the areas, by their names.
    """

    home: Path
    areas: dict[str, LoopDisk] = field(default_factory=dict)

    def name_disk(self, name: str, disk: LoopDisk) -> None:
        """Give a loop device, and its partitions, a name as mmcblk7."""
        self._name(name, disk.device)
        for number in loop.partition_numbers(disk.image):
            self._name(f"{name}p{number}", disk.partition(number))

    def _name(self, name: str, device: Path) -> None:
        os.mknod(self.home / "dev" / name, 0o600 | stat.S_IFBLK, device.stat().st_rdev)
        (self.home / "block" / name).symlink_to((_CLASS / device.name).resolve())

    def name_area(self, name: str, disk: LoopDisk) -> None:
        """Give a loop device a name as mmcblk7boot0, and the files of one that is guarded."""
        os.mknod(self.home / "dev" / name, 0o600 | stat.S_IFBLK, disk.device.stat().st_rdev)
        about = self.home / "block" / name
        about.mkdir()
        for word in ("dev", "size"):
            (about / word).write_text((_CLASS / disk.device.name / word).read_text())
        for word, value in (("force_ro", "1\n"), ("ro_lock_until_next_power_on", "0\n")):
            (about / word).write_text(value)
        self.areas[name] = disk

    def guard(self, name: str) -> str:
        """Return what `force_ro` of an area says."""
        return (self.home / "block" / name / "force_ro").read_text().strip()

    def lock(self, name: str) -> None:
        """Have the eMMC lock an area until it loses power."""
        (self.home / "block" / name / "ro_lock_until_next_power_on").write_text("1\n")

    def attempt(self, *words: object) -> subprocess.CompletedProcess[bytes]:
        """Run a program that sees these names."""
        folders = " ".join(item.name for item in (self.home / "dev").iterdir() if item.is_dir())
        script = _DRESS.format(home=self.home, old=self.home / "old", folders=folders)
        alone = ("unshare", "--mount", "--propagation", "private")
        return subprocess.run(
            [*alone, "sh", "-c", script, "sh", *map(str, words)],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=120,
            check=False,
        )

    def holdstill(self, *words: object, accepted: Sequence[int] = (0,)) -> str:
        """Run the product here; return all that it printed."""
        done = self.attempt(sys.executable, "-m", "holdstill", *words)
        told = (done.stderr + done.stdout).decode()
        assert done.returncode in accepted, f"{words}: {done.returncode}\n{told}"
        return done.stdout.decode() if "--json" in words else " ".join(told.split())


@contextmanager
def wardrobe(folder: Path) -> Iterator[Wardrobe]:
    """Hold names for loop devices; at first there are those that everybody has."""
    found = Wardrobe(folder / "wardrobe")
    for name in ("old", "dev", "block"):
        (found.home / name).mkdir(parents=True)
    for item in Path("/dev").iterdir():
        about, there = item.lstat(), found.home / "dev" / item.name
        if stat.S_ISLNK(about.st_mode):
            there.symlink_to(item.readlink())
        elif stat.S_ISDIR(about.st_mode):
            there.mkdir()
        elif stat.S_ISBLK(about.st_mode) or stat.S_ISCHR(about.st_mode):
            os.mknod(there, about.st_mode, about.st_rdev)
            there.chmod(stat.S_IMODE(about.st_mode))
    for item in _CLASS.iterdir():
        (found.home / "block" / item.name).symlink_to(item.resolve())
    yield found


@contextmanager
def areas(folder: Path, contents: Mapping[str, bytes]) -> Iterator[dict[str, LoopDisk]]:
    """Hold a loop device with each of these contents, by the name of its image."""
    folder.mkdir(exist_ok=True)
    with ExitStack() as undo:
        found = {}
        for name, data in contents.items():
            image = folder / f"{name}.img"
            image.write_bytes(data)
            found[name] = undo.enter_context(loop.attached(image))
        yield found


def flush(disk: LoopDisk) -> bytes:
    """Return what is on a device's medium."""
    programs.run("blockdev", "--flushbufs", disk.device)
    return disk.image.read_bytes()
