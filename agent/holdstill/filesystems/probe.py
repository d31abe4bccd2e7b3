"""What is in a partition, by signature.

Signatures are those of each format's own description; where we keep files or re-make a file
system, its parameters are read by the reader of that format.
"""

from __future__ import annotations

import struct
import uuid
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import HoldstillError
from holdstill.filesystems.ext4 import ext4_reader, ext4_superblock
from holdstill.filesystems.fat import fat_reader
from holdstill.filesystems.swap import swap_reader
from holdstill.model.layout import FileSystem, Other, Raw, TableLabel
from holdstill.model.sizes import KIB

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdstill.system.byte_source import ByteSource


class _Magic(NamedTuple):
    """Bytes by which blkid and we recognise a content that we copy as it is.

    Sources: util-linux libblkid/src/superblocks, one file a format.
    """

    type: str
    offset: int
    bytes: bytes


_RAW = (
    _Magic("crypto_LUKS", 0, b"LUKS\xba\xbe"),
    _Magic("LVM2_member", 24, b"LVM2 001"),
    _Magic("LVM2_member", 512 + 24, b"LVM2 001"),
    _Magic("linux_raid_member", 0, b"\xfc\x4e\x2b\xa9"),
    _Magic("linux_raid_member", 4096, b"\xfc\x4e\x2b\xa9"),
    _Magic("squashfs", 0, b"hsqs"),
    _Magic("erofs", 1024, b"\xe2\xe1\xf5\xe0"),
    _Magic("exfat", 3, b"EXFAT   "),
    _Magic("ntfs", 3, b"NTFS    "),
    _Magic("ubi", 0, b"UBI#"),
    _Magic("bcache", 4096 + 24, bytes.fromhex("c68573f64e1a45ca8265f57f48ba6d81")),
    _Magic("bcachefs", 4096 + 24, bytes.fromhex("c68573f666ce90a9d96a60cf803df7ef")),
)
_MD_MAGIC = 0xA92B4EFC
_F2FS_FEATURE = 2180
_F2FS_LOSES = {0x1: "encrypt", 0x400: "verity", 0x1000: "casefold"}
"""Where the features of an f2fs are in its superblock, and those that a rebuild does not make
(Linux fs/f2fs/f2fs.h, F2FS_FEATURE_*)."""
_FIRST_SECTOR_MAGIC = b"\x55\xaa"


def probe(source: ByteSource) -> FileSystem:
    """Return what a partition holds; Raw with an empty type when nothing is recognised.

    A damaged file system that has the signature of one that we read is Raw, too, with its type:
    its bytes are all that can be kept.
    """
    if swap_reader.is_swap(source):
        return _or_raw(source, "swap", lambda: swap_reader.read(source))
    if ext4_superblock.has_magic(source):
        if ext4_superblock.is_journal(source):
            return Raw(type="jbd", size=source.size)
        return _or_raw(source, "ext4", lambda: ext4_reader.Ext4Reader(source).parameters())
    # Before btrfs: mkfs.vfat leaves alone what an older file system had at 64 KiB.
    for look in (_fat, _btrfs, _xfs, _f2fs):
        found = look(source)
        if found is not None:
            return found
    for magic in _RAW:
        if _has(source, magic.offset, magic.bytes):
            return Raw(type=magic.type, size=source.size)
    return Raw(type="linux_raid_member" if _is_md_at_end(source) else "", size=source.size)


def table_label(source: ByteSource) -> TableLabel | None:
    """Return the kind of partition table a disk has.

    NONE is a file system on the whole disk; None is neither table nor file system.
    """
    if not _has(source, 510, _FIRST_SECTOR_MAGIC):
        return None if probe(source) == Raw(size=source.size) else TableLabel.NONE
    sector = source.read(0, 512)
    records = list(struct.iter_unpack("<B3sB3sII", sector[446:510]))
    if any(kind == 0xEE for _, _, kind, _, _, _ in records):
        return TableLabel.GPT
    # The boot sector of a FAT ends in the same two bytes. As a table its boot code would list
    # partitions that begin at sector 0, or have an impossible boot indicator; or list none.
    is_table = all(boot in {0, 0x80} for boot, *_ in records)
    lists_any = any(kind and start and count for _, _, kind, _, start, count in records)
    if is_table and lists_any:
        return TableLabel.DOS
    if probe(source) != Raw(size=source.size):
        return TableLabel.NONE
    return TableLabel.DOS if is_table else None


def _has(source: ByteSource, offset: int, wanted: bytes) -> bool:
    return _read(source, offset, len(wanted)) == wanted


def _is_md_at_end(source: ByteSource) -> bool:
    """Return whether an md superblock of version 1.0 or 0.90 is in the last 128 KiB.

    1.0: 8 KiB before the end, rounded down to 4 KiB. 0.90: in the last whole 64 KiB, in the byte
    order of its machine (Linux include/uapi/linux/raid/md_p.h, MD_NEW_SIZE_SECTORS;
    drivers/md/md.c, super_1_load).
    """
    newer = (source.size - 8 * KIB) // (4 * KIB) * (4 * KIB)
    older = (source.size // (64 * KIB) - 1) * (64 * KIB)
    in_use = (_MD_MAGIC.to_bytes(4, "little"), _MD_MAGIC.to_bytes(4, "big"))
    return (newer > 0 and _has(source, newer, in_use[0])) or (
        older > 0 and any(_has(source, older, magic) for magic in in_use)
    )


def _read(source: ByteSource, offset: int, length: int) -> bytes:
    """Return bytes, or nothing when the source is too short."""
    return source.read(offset, length) if offset + length <= source.size else b""


def _or_raw(source: ByteSource, kind: str, read: Callable[[], FileSystem]) -> FileSystem:
    try:
        return read()
    except HoldstillError:
        return Raw(type=kind, size=source.size)


def _fat(source: ByteSource) -> FileSystem | None:
    if not _has(source, 510, _FIRST_SECTOR_MAGIC):
        return None
    found = _or_raw(source, "", lambda: fat_reader.FatReader(source).parameters())
    return None if isinstance(found, Raw) else found


def _other(kind: str, raw_uuid: bytes, label: str, size: int) -> Other:
    return Other(type=kind, uuid=str(uuid.UUID(bytes=raw_uuid)), label=label, size=size)


def _text(raw: bytes) -> str:
    return raw.partition(b"\0")[0].decode(errors="backslashreplace")


def _btrfs(source: ByteSource) -> FileSystem | None:
    """Superblock at 64 KiB (btrfs documentation, On-disk Format)."""
    raw = _read(source, 0x10000, 0x22B)
    if raw[0x40:0x48] != b"_BHRfS_M":
        return None
    size = int.from_bytes(raw[0x70:0x78], "little")
    return _other("btrfs", raw[0x20:0x30], _text(raw[0x12B:0x22B]), size)


def _xfs(source: ByteSource) -> FileSystem | None:
    """Superblock at 0, big-endian (XFS Algorithms & Data Structures, Superblocks)."""
    raw = _read(source, 0, 120)
    if raw[:4] != b"XFSB":
        return None
    block, blocks = struct.unpack_from(">IQ", raw, 4)
    return _other("xfs", raw[32:48], _text(raw[108:120]), block * blocks)


def _f2fs(source: ByteSource) -> FileSystem | None:
    """Superblock at 1024 (Linux include/linux/f2fs_fs.h, struct f2fs_super_block)."""
    raw = _read(source, 1024, _F2FS_FEATURE + 4)
    if raw[:4] != b"\x10\x20\xf5\xf2":
        return None
    (log_block,) = struct.unpack_from("<I", raw, 16)
    (blocks,) = struct.unpack_from("<Q", raw, 36)
    label = raw[124 : 124 + 1024].decode("utf-16-le", "replace").partition("\0")[0]
    (features,) = struct.unpack_from("<I", raw, _F2FS_FEATURE)
    return Other(
        type="f2fs",
        uuid=str(uuid.UUID(bytes=raw[108:124])),
        label=label,
        size=blocks << min(log_block, 16),
        features=tuple(name for bit, name in _F2FS_LOSES.items() if features & bit),
    )
