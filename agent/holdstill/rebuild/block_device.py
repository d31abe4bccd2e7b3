"""Block devices: what one is, what is on it, and what uses it.

Only reads: the kernel's files below /sys and /proc, and blkid's output on the contents.
"""

from __future__ import annotations

import dataclasses
import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import TargetRefusedError
from holdstill.model.sizes import human

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.system.process import Runner

from holdstill.rebuild.device_contents import describe_contents

_OCTAL = re.compile(rb"\\([0-7]{3})")


@dataclass(frozen=True)
class Places:
    """Where the kernel exports its state."""

    sys: Path = Path("/sys")
    proc: Path = Path("/proc")


HERE = Places()
"""This machine's."""


@dataclass(frozen=True)
class BlockDevice:
    """A block device and everything that decides whether it may be written.

    Attributes:
        path: its node.
        number: major and minor.
        size: bytes.
        sector_size: bytes of a logical sector, in which partition tables count.
        sequence: the kernel's number for this medium in this slot; a new card gets a new one.
        whole: the disk that a partition is part of, "" when it is a whole disk itself.
        is_fixed: whether it appears to be built in.
        uses: why it is in use, one line each.
        holds: what is on it, one line each.
        members: which parts of something larger are on it.
    """

    path: Path
    number: tuple[int, int]
    size: int
    sector_size: int = 512
    model: str = ""
    serial: str = ""
    sequence: str = ""
    whole: str = ""
    is_read_only: bool = False
    is_fixed: bool = False
    uses: tuple[str, ...] = ()
    holds: tuple[str, ...] = ()
    members: tuple[str, ...] = ()

    @property
    def tokens(self) -> tuple[str, ...]:
        """What a person may type to name it: its serial, or its size in bytes."""
        return (self.serial, str(self.size)) if self.serial else (str(self.size),)

    def describe(self) -> str:
        """Describe the device and its contents, for a person who is about to destroy them."""
        what = " ".join(
            word for word in (self.model, self.serial and f"serial {self.serial}") if word
        )
        head = f"{self.path}: {what or 'a device without a name'}, {human(self.size)}"
        return "\n  ".join(
            [f"{head} ({self.size} bytes)", *(self.holds or ["holds nothing known"])]
        )


def inspect_device(path: Path, machine: Runner, *, places: Places = HERE) -> BlockDevice:
    """Find out everything about a device; nothing is written.

    Raises:
        TargetRefusedError: it is no block device, or cannot be read.
    """
    found = _stat(path)
    number = (os.major(found.st_rdev), os.minor(found.st_rdev))
    device = find_device(path, number, places=places)
    if device.whole or device.uses or not device.size:
        return device  # refused whatever it holds: it is not even opened
    holds, members = describe_contents(path, device.size, machine)
    return dataclasses.replace(device, holds=tuple(holds), members=tuple(members))


def _stat(path: Path) -> os.stat_result:
    try:
        found = path.lstat()
    except OSError as error:
        raise TargetRefusedError(f"there is no device {path}", hint="is the card in?") from error
    if stat.S_ISLNK(found.st_mode):
        raise TargetRefusedError(
            f"{path} is a symbolic link, which may point elsewhere tomorrow",
            hint=f"name the device itself: {path.resolve()}",
        )
    if not stat.S_ISBLK(found.st_mode):
        raise TargetRefusedError(
            f"{path} is no block device",
            hint="an image's name ends in .img, .img.zst, .img.xz or .img.zip",
        )
    return found


def find_device(path: Path, number: tuple[int, int], *, places: Places) -> BlockDevice:
    """Read what the kernel reports about a device number; its contents are not read.

    Raises:
        TargetRefusedError: the kernel does not report it.
    """
    home = _home(number, places)
    if home is None:
        raise TargetRefusedError(f"the kernel has no information about {path}")
    # Number and name of each partition of a disk.
    found = {}
    for file in home.glob("*/partition"):
        major, _, minor = _word(file.parent / "dev").partition(":")
        if minor:
            found[int(major), int(minor)] = file.parent.name
    partitions = found
    family = {number: home.name} | partitions
    words = [_word(home / "device/vendor"), _word(home / "device/model")]
    if not words[1]:
        words = [_word(home / "device/name")]  # of cards in a card slot
    model = " ".join(word for word in words if word and not word.startswith("0x"))
    return BlockDevice(
        path=path,
        number=number,
        size=int(_word(home / "size") or 0) * 512,
        sector_size=int(_word(home / "queue/logical_block_size") or 512),
        model=model,
        serial=_serial(home),
        sequence=_word(home / "diskseq"),
        whole=home.parent.name if (home / "partition").exists() else "",
        is_read_only=_word(home / "ro") == "1",
        is_fixed=_is_fixed(home),
        uses=tuple(_uses(home, family, places)),
    )


def _home(number: tuple[int, int], places: Places) -> Path | None:
    link = places.sys / "dev/block" / f"{number[0]}:{number[1]}"
    return link.resolve() if link.exists() else None


def _word(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def _serial(home: Path) -> str:
    """Return the serial of the card, or of the reader or disk that it is in."""
    for near in ("serial", "device/serial"):
        if serial := _word(home / near):
            return serial
    # A USB reader: the device that carries idVendor is some levels up.
    for above in (home / "device").resolve().parents:
        if (above / "idVendor").exists():
            return _word(above / "serial")
    return _word(home / "device/wwid") or _word(home / "wwid")


def _is_fixed(home: Path) -> bool:
    """Return whether a disk appears built in; a card in a slot or reader, or a loop, does not."""
    parts = home.parts
    if _word(home / "removable") == "1" or "virtual" in parts:
        return False
    if any(part.startswith("usb") for part in parts):
        return False
    return _word(home / "device/type") != "SD"


def _uses(home: Path, family: dict[tuple[int, int], str], places: Places) -> Iterator[str]:
    """Yield what uses a disk or one of its partitions."""
    for number, name in family.items():
        member = home if name == home.name else home / name
        for holder in sorted((member / "holders").glob("*")):
            yield f"{name} is part of {_holder(holder)}"
        for point in _mount_points(number, name, places):
            yield f"{name} is mounted at {point}"
        # The kernel's names of the devices that are swapped to.
        lines = _word(places.proc / "swaps").splitlines()[1:]
        swaps = frozenset(Path(line.split()[0]).resolve().name for line in lines if line)
        if name in swaps:
            yield f"{name} is swapped to"
        for over in _loops(name, places):
            yield f"{name} is behind {over}"
    if home.name in _disks_below_root(places):
        yield f"this system runs from {home.name}"


def _holder(holder: Path) -> str:
    kind = _word(holder / "dm/uuid").partition("-")[0]
    name = _word(holder / "dm/name") or holder.name
    return f"{name} ({kind})" if kind else name


@dataclass(frozen=True)
class _Mounted:
    number: tuple[int, int]
    point: str
    source: str


def _mounts(places: Places) -> Iterator[_Mounted]:
    """Read what is mounted (proc(5), mountinfo)."""
    for line in (places.proc / "self/mountinfo").read_bytes().splitlines():
        left, _, right = line.partition(b" - ")
        fields, about = left.split(b" "), right.split(b" ")
        major, _, minor = fields[2].partition(b":")
        point, origin = _plain(fields[4]), _plain(about[1])
        yield _Mounted((int(major), int(minor)), point, origin)


def _plain(field: bytes) -> str:
    return _OCTAL.sub(lambda match: bytes([int(match[1], 8)]), field).decode(errors="replace")


def _mount_points(number: tuple[int, int], name: str, places: Places) -> Iterator[str]:
    for mount in _mounts(places):
        # btrfs shows its own number; its source still names the device.
        if mount.number == number or mount.source == f"/dev/{name}":
            yield mount.point


def _loops(name: str, places: Places) -> Iterator[str]:
    """Yield the loop devices over a device: the kernel lets others claim what is behind them."""
    for file in sorted(places.sys.glob("block/loop*/loop/backing_file")):
        if Path(_word(file)).resolve() == Path("/dev") / name:
            yield file.parent.parent.name


def _disks_below_root(places: Places) -> frozenset[str]:
    found: set[str] = set()
    for mount in _mounts(places):
        home = _home(mount.number, places) if mount.point == "/" else None
        if home is not None:
            found |= _below(home)
    return frozenset(found)


def _below(home: Path) -> set[str]:
    """Return the names of the whole disks that a device is made of."""
    disk = home.parent if (home / "partition").exists() else home
    slaves = [slave.resolve() for slave in sorted((disk / "slaves").glob("*"))]
    return {disk.name}.union(*(_below(slave) for slave in slaves))
