"""A board whose root is a plain directory beside a card image, captured once: needs no root."""

from __future__ import annotations

import os
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError, VerificationError
from holdstill.keeper import store as stores
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names, pieces
from holdstill.records import assembled
from holdstill.system.process import LocalRunner
from support import boards, loop, programs
from support.boards import holdstill

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.model.manifest import Attachment

MIB = 1 << 20
SIZE = 160 * MIB
TABLE = """\
label: dos
label-id: 0x5ca1ab1e
start=8192, size=81920, type=c, bootable
start=90112, size=163840, type=83
start=253952, size=16384, type=da
"""
SECTOR = 512
ROOT_AT = 90112 * SECTOR
"""Byte of the card at which its ext4 begins."""


@dataclass(frozen=True)
class PlainCapture:
    """A store with one capture of pier-3.

    Attributes:
        places: files of the store that a rebuild needs before it may touch a target, by name.
    """

    store: Path
    places: dict[str, Path]


def captured(folder: Path, *changes: Callable[[Path], None]) -> PlainCapture:
    """Capture a board with a boot gap, a FAT, an ext4 with a large file, and a raw partition.

    Args:
        folder: for all of it.
        changes: are made to its root, and it is captured behind each.
    """
    root, image = folder / "root", make_card(folder)
    (root / "etc").mkdir(parents=True)
    (root / "etc/hostname").write_text("pier-3\n", encoding="ascii")
    (root / "large").write_bytes(os.urandom(17 * MIB))
    with boards.kept_nearby(folder, root, more=f"disks: [{image}]\n") as kept:
        for change in changes or (lambda _: None,):
            change(root)
            holdstill("capture", "--settings", kept.settings)
    return PlainCapture(kept.store, places_of(kept.store))


def make_card(folder: Path) -> Path:
    """Make the image of the board's card, without loop devices."""
    image = loop.partitioned_image(folder / "card.img", size=SIZE, script=TABLE)
    fat, ext4 = folder / "fat.img", folder / "ext4.img"
    loop.blank_image(fat, size=81920 * SECTOR)
    loop.blank_image(ext4, size=163840 * SECTOR)
    programs.run("mkfs.vfat", "-F", "32", "-s", "1", "-n", "BOOTFS", "-i", "A40D85E7", fat)
    programs.run("mkfs.ext4", "-q", "-L", "rootfs", ext4)
    with image.open("r+b") as card:
        for at, body in (
            (2048 * SECTOR, b"a loader in the boot gap" * 50),
            (8192 * SECTOR, fat.read_bytes()),
            (ROOT_AT, ext4.read_bytes()),
            (253952 * SECTOR + MIB, os.urandom(MIB)),
        ):
            card.seek(at)
            card.write(body)
    return image


def places_of(root: Path) -> dict[str, Path]:
    held = stores.open_store(root)
    shelf = BoardCaptures(held, names.check_board("pier-3"), LocalRunner())
    stated = shelf.capture(shelf.briefs()[0].name)
    manifest = stated.manifest()
    assert manifest.gap is not None
    (raw,) = manifest.raws
    found = {"manifest": stated.folder / "manifest.yaml"}
    for name, attachment in (("index", manifest.index), ("gap", manifest.gap), ("raw", raw)):
        found |= attached(held, stated, name, attachment)
    with assembled.opened_index(stated) as index:
        (large,) = index.large(2, pieces.PIECED_FROM)
    return {**found, "list of a file": content(held, large.digest)}


def attached(
    held: stores.Store, stated: StoredCapture, name: str, attachment: Attachment
) -> dict[str, Path]:
    last, _ = list(assembled.read_list(stated, attachment).pieces())[-1]
    return {
        f"{name}, list": content(held, bytes.fromhex(attachment.sha256)),
        f"{name}, piece": content(held, last),
    }


def content(held: stores.Store, digest: bytes) -> Path:
    return held.contents.path(names.Digest(digest.hex()))


def flipped(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.chmod(0o600)
    path.write_bytes(data)


def gone(path: Path) -> None:
    path.unlink()


NEEDED = (
    "manifest", "index, list", "index, piece", "gap, list", "gap, piece", "raw, list",
    "raw, piece", "list of a file",
)  # fmt: skip
WAYS = (flipped, gone)
REFUSALS = {VerificationError.exit_code, SecurityError.exit_code}
"""A capture that is seen to be damaged before it is opened is not trusted at all: the latter."""


@contextmanager
def spoilt(path: Path, spoil: Callable[[Path], None]) -> Iterator[None]:
    """Have a file of a store damaged for the length of the block."""
    body = path.read_bytes()
    spoil(path)
    try:
        yield
    finally:
        path.unlink(missing_ok=True)
        path.write_bytes(body)
