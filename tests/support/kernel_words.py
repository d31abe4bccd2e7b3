"""A kernel's words about its block devices, below folders of a test's own."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.rebuild.block_device import Places

if TYPE_CHECKING:
    from pathlib import Path


@dataclass
class Kernel:
    """Folders like /sys and /proc, filled by a test."""

    folder: Path
    mounts: list[str] = field(default_factory=list)
    swaps: list[str] = field(default_factory=list)

    @property
    def places(self) -> Places:
        """Write down what was said so far, and return where."""
        proc = self.folder / "proc"
        (proc / "self").mkdir(parents=True, exist_ok=True)
        (proc / "self/mountinfo").write_text("".join(f"{line}\n" for line in self.mounts))
        table = ["Filename Type Size Used Priority", *self.swaps]
        (proc / "swaps").write_text("".join(f"{line}\n" for line in table))
        return Places(sys=self.folder / "sys", proc=proc)

    def disk(
        self, name: str, number: str, *, bus: str = "usb1/1-1", sectors: int = 1 << 25
    ) -> Path:
        """Add a whole disk; return its folder, for more words."""
        home = self.folder / "sys/devices" / bus / "block" / name
        self._known(home, number, sectors)
        say(home, ro="0", removable="0", diskseq="7")
        return home

    def partition(self, disk: Path, name: str, number: str, *, sectors: int = 1 << 20) -> Path:
        """Add a partition of a disk."""
        self._known(disk / name, number, sectors)
        say(disk / name, partition=number.partition(":")[2], ro="0")
        return disk / name

    def holder(self, of: Path, name: str, number: str, uuid: str) -> Path:
        """Stack a device-mapper or RAID device on a disk or partition."""
        home = self.disk(name, number, bus="virtual")
        say(home / "dm", name="vg-root", uuid=uuid)
        for folder, link, to in ((of / "holders", name, home), (home / "slaves", of.name, of)):
            folder.mkdir(exist_ok=True)
            (folder / link).symlink_to(to)
        return home

    def mount(self, number: str, point: str, source: str) -> None:
        """Add a line as proc(5) describes mountinfo."""
        self.mounts.append(f"36 25 {number} / {point} rw,noatime shared:1 - ext4 {source} rw")

    def _known(self, home: Path, number: str, sectors: int) -> None:
        home.mkdir(parents=True)
        say(home, dev=number, size=str(sectors))
        links = self.folder / "sys/dev/block"
        links.mkdir(parents=True, exist_ok=True)
        (links / number).symlink_to(home)


def say(home: Path, **words: str) -> None:
    """Write attributes into a folder, one a file."""
    home.mkdir(parents=True, exist_ok=True)
    for name, word in words.items():
        (home / name).write_text(word + "\n")
