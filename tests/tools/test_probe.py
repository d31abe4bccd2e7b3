"""What blkid and mdadm say of a superblock is what we say."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest

from holdstill.filesystems import probe
from holdstill.model.layout import Other, Raw
from holdstill.system import byte_source
from support import loop, programs

if TYPE_CHECKING:
    from pathlib import Path

SIZE = 8 << 20
MD = struct.pack("<I", 0xA92B4EFC)
BCACHEFS = bytes.fromhex("c68573f666ce90a9d96a60cf803df7ef")


def known_to_us(image: Path) -> str:
    with byte_source.opened(image) as opened:
        found = probe.probe(opened)
    assert isinstance(found, Raw)
    return found.type


def known_to_blkid(image: Path) -> str:
    done = programs.attempt("blkid", "-p", "-o", "value", "-s", "TYPE", image)
    return done.stdout.decode().strip()


def md_090() -> bytes:
    """Linux include/uapi/linux/raid/md_p.h, mdp_super_t: magic, major 0, minor 90."""
    return MD + struct.pack("<II", 0, 90) + bytes(4096 - 12)


def md_1(place: int) -> bytes:
    """Linux md_p.h, mdp_superblock_1: version 1; at 128 data_offset, data_size, super_offset."""
    head = MD + struct.pack("<I", 1) + bytes(120)
    return (head + struct.pack("<QQQ", 0, 0, place // 512)).ljust(4096, b"\0")


@pytest.mark.parametrize("spare", [0, 512, 4096, 65536 - 512])
@pytest.mark.parametrize("version", ["0.90", "1.0"])
def test_an_array_whose_superblock_is_at_the_end(tmp_path: Path, version: str, spare: int) -> None:
    size = SIZE + spare
    image = loop.blank_image(tmp_path / "member", size=size)
    old = version == "0.90"
    place = (size & ~0xFFFF) - 0x10000 if old else (size - 8192) & ~0xFFF
    with image.open("r+b") as file:
        file.seek(place)
        file.write(md_090() if old else md_1(place))

    assert known_to_blkid(image) == known_to_us(image) == "linux_raid_member"


def test_a_bcache_is_not_taken_for_a_bcachefs(tmp_path: Path) -> None:
    """Magics: util-linux libblkid/src/superblocks/bcache.c."""
    image = loop.blank_image(tmp_path / "disk", size=SIZE)
    bcache = bytes.fromhex("c68573f64e1a45ca8265f57f48ba6d81")
    # struct bcache_super_block: checksum, offset in sectors, version; magic at 24.
    fields = struct.pack("<QQ", 8, 1) + bcache
    with image.open("r+b") as file:
        file.seek(4096 + 8)
        file.write(fields)

    assert known_to_us(image) == "bcache"


def test_bcachefs_is_known_by_its_own_magic(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "disk", size=SIZE)
    with image.open("r+b") as file:
        file.seek(4096 + 24)
        file.write(BCACHEFS)

    assert known_to_us(image) == "bcachefs"


# mkfs.f2fs(8), -O: each name sets one bit; blkid agrees on the UUID and the label.
@pytest.mark.parametrize("feature", ["", "encrypt", "verity", "casefold"])
def test_the_features_of_an_f2fs_are_those_that_mkfs_was_told(
    tmp_path: Path, feature: str
) -> None:
    image = loop.blank_image(tmp_path / "f2fs", size=64 << 20)
    words = ["-O", f"extra_attr,{feature}"] if feature else ["-O", "extra_attr"]
    more = ["-C", "utf8"] if feature == "casefold" else []
    programs.run("mkfs.f2fs", "-q", "-l", "pier", *words, *more, image)

    with byte_source.opened(image) as opened:
        found = probe.probe(opened)
    assert isinstance(found, Other)
    assert found.features == ((feature,) if feature else ())
    assert found.label == "pier"
    said = programs.run("blkid", "-p", "-o", "value", "-s", "UUID", image).decode().strip()
    assert found.uuid == said
