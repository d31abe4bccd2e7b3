"""The superblock of an ext2, ext3 or ext4, and the places of its block groups.

Layout: Linux Documentation/filesystems/ext4/super.rst and group_descr.rst. Names of features and
mount options are those that e2fsprogs prints and takes.
"""

from __future__ import annotations

import struct
import uuid
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import VerificationError
from holdstill.filesystems.ext4.crc32c import crc32c

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.system.byte_source import ByteSource

OFFSET, SIZE = 1024, 1024
MAGIC = 0xEF53
GROUPS_MAX = 1 << 20
"""Groups that we are willing to read: 128 TiB of 4 KiB blocks."""

# Bits that decide how the rest is read.
HAS_JOURNAL, SPARSE_SUPER2 = 0x4, 0x200
SPARSE_SUPER, HUGE_FILE, UNINIT_BG, BIGALLOC, METADATA_CSUM = 0x1, 0x8, 0x10, 0x200, 0x400
PROJECT = 0x2000
NEEDS_RECOVERY, JOURNAL_DEV, META_BG = 0x4, 0x8, 0x10
SIXTY_FOUR_BIT, LARGE_DIR = 0x80, 0x4000

_COMPAT = {
    0x1: "dir_prealloc",
    0x2: "imagic_inodes",
    0x4: "has_journal",
    0x8: "ext_attr",
    0x10: "resize_inode",
    0x20: "dir_index",
    0x40: "lazy_bg",
    0x100: "snapshot_bitmap",
    0x200: "sparse_super2",
    0x400: "fast_commit",
    0x800: "stable_inodes",
    0x1000: "orphan_file",
}
_INCOMPAT = {
    0x1: "compression",
    0x2: "filetype",
    0x4: "needs_recovery",
    0x8: "journal_dev",
    0x10: "meta_bg",
    0x40: "extent",
    0x80: "64bit",
    0x100: "mmp",
    0x200: "flex_bg",
    0x400: "ea_inode",
    0x1000: "dirdata",
    0x2000: "metadata_csum_seed",
    0x4000: "large_dir",
    0x8000: "inline_data",
    0x10000: "encrypt",
    0x20000: "casefold",
}
_RO_COMPAT = {
    0x1: "sparse_super",
    0x2: "large_file",
    0x8: "huge_file",
    0x10: "uninit_bg",
    0x20: "dir_nlink",
    0x40: "extra_isize",
    0x100: "quota",
    0x200: "bigalloc",
    0x400: "metadata_csum",
    0x800: "replica",
    0x1000: "read-only",
    0x2000: "project",
    0x4000: "shared_blocks",
    0x8000: "verity",
    0x10000: "orphan_present",
}
READABLE = 0x3E7D6
"""Incompatible features with which files can be read: all of the table above but compression,
journal_dev and dirdata. Encrypted files are refused one by one."""
_STATES = frozenset({"needs_recovery", "orphan_present"})
_MOUNT_OPTIONS = {
    0x1: "debug",
    0x2: "bsdgroups",
    0x4: "user_xattr",
    0x8: "acl",
    0x10: "uid16",
    0x100: "nobarrier",
    0x200: "block_validity",
    0x400: "discard",
    0x800: "nodelalloc",
}
_JOURNAL_MODES = {
    0x20: "journal_data",
    0x40: "journal_data_ordered",
    0x60: "journal_data_writeback",
}
_ERRORS = {1: "continue", 2: "remount-ro", 3: "panic"}


class ErrorPlace(NamedTuple):
    """Where the kernel met an error: its function and line, and what it was reading."""

    at: int
    """Seconds since 1970 UTC, by the board's clock."""
    function: str
    line: int
    inode: int
    block: int


class ErrorLog(NamedTuple):
    """Errors that the kernel has met since a check last cleared the log; None where there is none.

    e2fsck clears it when it has found everything in order.
    """

    number: int
    first: ErrorPlace | None
    last: ErrorPlace | None


class Superblock(NamedTuple):
    """The contents of the superblock; numbers as they are stored, texts decoded.

    Attributes:
        cluster_ratio: blocks in a unit of allocation; 1 without bigalloc.
        descriptor_size: bytes of one group descriptor.
        is_sound: its own checksum is right, or it has none.
    """

    inodes: int
    blocks: int
    reserved_blocks: int
    first_data_block: int
    block_size: int
    cluster_ratio: int
    blocks_per_group: int
    inodes_per_group: int
    max_mount_count: int
    state: int
    errors: int
    check_interval: int
    revision: int
    reserved_uid: int
    reserved_gid: int
    first_inode: int
    inode_size: int
    compat: int
    incompat: int
    ro_compat: int
    uuid: str
    label: str
    journal_inode: int
    hash_seed: str
    descriptor_size: int
    default_mount_options: int
    first_meta_group: int
    stride: int
    stripe_width: int
    mount_options: str
    backup_groups: tuple[int, int]
    is_sound: bool
    error_log: ErrorLog = ErrorLog(0, None, None)

    @property
    def groups(self) -> int:
        """Number of block groups."""
        return -(-(self.blocks - self.first_data_block) // self.blocks_per_group)

    @property
    def features(self) -> tuple[str, ...]:
        """Names of the features, without those that only mark it as in use."""
        names = (
            *_names(_COMPAT, self.compat, "FEATURE_C"),
            *_names(_INCOMPAT, self.incompat, "FEATURE_I"),
            *_names(_RO_COMPAT, self.ro_compat, "FEATURE_R"),
        )
        return tuple(name for name in names if name not in _STATES)

    @property
    def has_projects(self) -> bool:
        """Whether inodes have project ids: without the feature, nobody reads the field."""
        return bool(self.ro_compat & PROJECT)

    @property
    def mount_defaults(self) -> tuple[str, ...]:
        """Default mount options as tune2fs -o takes them."""
        bits = self.default_mount_options
        names = [name for bit, name in _MOUNT_OPTIONS.items() if bits & bit]
        mode = _JOURNAL_MODES.get(bits & 0x60)
        return (*names, mode) if mode else tuple(names)

    @property
    def error_policy(self) -> str:
        """What the kernel does about an error, as tune2fs -e takes it."""
        return _ERRORS.get(self.errors, "continue")


def _names(table: Mapping[int, str], bits: int, unknown: str) -> Iterator[str]:
    """Yield names in the order of their bits; e2fsprogs calls an unknown one FEATURE_C14."""
    for number in range(32):
        if bits >> number & 1:
            yield table.get(1 << number, f"{unknown}{number}")


def has_magic(source: ByteSource) -> bool:
    """Whether there is a superblock where one belongs."""
    if source.size < OFFSET + SIZE:
        return False
    return int.from_bytes(source.read(OFFSET + 0x38, 2), "little") == MAGIC


def is_journal(source: ByteSource) -> bool:
    """Whether what has the magic number is the journal of a file system elsewhere."""
    return bool(_u32(source.read(OFFSET, SIZE), 0x60) & JOURNAL_DEV)


def parse(raw: bytes) -> Superblock:
    """Understand the 1024 bytes of a superblock.

    Raises:
        VerificationError: they are none, or make no sense.
    """
    if len(raw) != SIZE or _u16(raw, 0x38) != MAGIC:
        raise VerificationError("no ext4 superblock")
    block_log, cluster_log = _u32(raw, 0x18), _u32(raw, 0x1C)
    _require("block size", block_log <= 6)
    has_clusters = bool(_u32(raw, 0x64) & BIGALLOC)
    _require("cluster size", not has_clusters or block_log <= cluster_log <= 30)
    wide = bool(_u32(raw, 0x60) & SIXTY_FOUR_BIT)
    dynamic = _u32(raw, 0x4C) >= 1
    count = _u32(raw, 0x194)
    first, last = _u32(raw, 0x198), _u32(raw, 0x1CC)
    error_log = ErrorLog(
        count,
        ErrorPlace(first, _text(raw[0x1A8:0x1C8]), _u32(raw, 0x1C8), _u32(raw, 0x19C),
                   int.from_bytes(raw[0x1A0:0x1A8], "little")) if first else None,
        ErrorPlace(last, _text(raw[0x1E0:0x200]), _u32(raw, 0x1D4), _u32(raw, 0x1D0),
                   int.from_bytes(raw[0x1D8:0x1E0], "little")) if last else None,
    )  # fmt: skip
    found = Superblock(
        inodes=_u32(raw, 0x0),
        blocks=_u32(raw, 0x4) | (_u32(raw, 0x150) << 32 if wide else 0),
        reserved_blocks=_u32(raw, 0x8) | (_u32(raw, 0x154) << 32 if wide else 0),
        first_data_block=_u32(raw, 0x14),
        block_size=1024 << block_log,
        cluster_ratio=1 << cluster_log - block_log if has_clusters else 1,
        blocks_per_group=_u32(raw, 0x20),
        inodes_per_group=_u32(raw, 0x28),
        max_mount_count=struct.unpack_from("<h", raw, 0x36)[0],
        state=_u16(raw, 0x3A),
        errors=_u16(raw, 0x3C),
        check_interval=_u32(raw, 0x44),
        revision=_u32(raw, 0x4C),
        reserved_uid=_u16(raw, 0x50),
        reserved_gid=_u16(raw, 0x52),
        first_inode=_u32(raw, 0x54) if dynamic else 11,
        inode_size=_u16(raw, 0x58) if dynamic else 128,
        compat=_u32(raw, 0x5C),
        incompat=_u32(raw, 0x60),
        ro_compat=_u32(raw, 0x64),
        uuid=str(uuid.UUID(bytes=raw[0x68:0x78])),
        label=_text(raw[0x78:0x88]),
        journal_inode=_u32(raw, 0xE0),
        hash_seed=str(uuid.UUID(bytes=raw[0xEC:0xFC])) if any(raw[0xEC:0xFC]) else "",
        descriptor_size=_u16(raw, 0xFE) if wide else 32,
        default_mount_options=_u32(raw, 0x100),
        first_meta_group=_u32(raw, 0x104),
        stride=_u16(raw, 0x164),
        stripe_width=_u32(raw, 0x170),
        mount_options=_text(raw[0x200:0x240]),
        backup_groups=(_u32(raw, 0x24C), _u32(raw, 0x250)),
        is_sound=not _u32(raw, 0x64) & METADATA_CSUM or crc32c(raw[:0x3FC]) == _u32(raw, 0x3FC),
        error_log=error_log,
    )
    _check(found)
    return found


def read(source: ByteSource) -> Superblock:
    """Read the superblock of a file system.

    Raises:
        VerificationError: there is none, or it makes no sense.
    """
    if not has_magic(source):
        raise VerificationError("no ext4 superblock")
    return parse(source.read(OFFSET, SIZE))


def _check(found: Superblock) -> None:
    """Check what later arithmetic takes for granted."""
    bits = 8 * found.block_size
    _require("inode size", found.inode_size in _powers(128, found.block_size))
    _require("descriptor size", found.descriptor_size in _powers(32, found.block_size))
    _require("inodes per group", 0 < found.inodes_per_group <= bits)
    _require("blocks per group", 0 < found.blocks_per_group <= bits * found.cluster_ratio)
    _require("first data block", found.first_data_block <= 1 < found.blocks - 1)
    _require("number of groups", 0 < found.groups <= GROUPS_MAX)
    _require("number of inodes", 11 <= found.inodes <= found.groups * found.inodes_per_group)


def _powers(least: int, most: int) -> Iterator[int]:
    while least <= most:
        yield least
        least *= 2


def _require(what: str, good: bool) -> None:  # noqa: FBT001  an assertion
    if not good:
        raise VerificationError(f"the ext4 superblock has an impossible {what}")


def _u16(raw: bytes, offset: int) -> int:
    return int.from_bytes(raw[offset : offset + 2], "little")


def _u32(raw: bytes, offset: int) -> int:
    return int.from_bytes(raw[offset : offset + 4], "little")


def _text(raw: bytes) -> str:
    return raw.partition(b"\0")[0].decode(errors="backslashreplace")


class Group(NamedTuple):
    """One block group.

    Attributes:
        first_inode: number of its first inode.
        table: byte at which its inode table begins.
        initialised: how many inodes from the first on have ever been written; what follows in
            the table is undefined.
        free_blocks: blocks that are not allocated.
    """

    first_inode: int
    table: int
    initialised: int
    free_blocks: int


def read_groups(source: ByteSource, sb: Superblock) -> list[Group]:
    """Read every group descriptor.

    Raises:
        VerificationError: an inode table outside the file system.
        EOFError: the source is too short.
    """
    per_block = sb.block_size // sb.descriptor_size
    found: list[Group] = []
    for number in range(-(-sb.groups // per_block)):
        raw = source.read(_descriptor_block(sb, number) * sb.block_size, sb.block_size)
        for slot in range(min(per_block, sb.groups - len(found))):
            at = slot * sb.descriptor_size
            found.append(_group(sb, len(found), raw[at : at + sb.descriptor_size]))
    return found


def _descriptor_block(sb: Superblock, number: int) -> int:
    """Return the block of the number-th block of descriptors (the kernel's descriptor_loc)."""
    if not sb.incompat & META_BG or number < sb.first_meta_group:
        return OFFSET // sb.block_size + number + 1
    group = number * (sb.block_size // sb.descriptor_size)
    before = int(_has_super(sb, group))
    if sb.block_size == 1024 and number == 0 and sb.first_data_block == 0:
        before += 1
    return before + sb.first_data_block + group * sb.blocks_per_group


def _has_super(sb: Superblock, group: int) -> bool:
    """Whether a group begins with a copy of the superblock (the kernel's ext4_bg_has_super)."""
    if group == 0:
        return True
    if sb.compat & SPARSE_SUPER2:
        return group in sb.backup_groups
    if group == 1 or not sb.ro_compat & SPARSE_SUPER:
        return True
    return any(_is_power(group, base) for base in (3, 5, 7))


def _is_power(number: int, base: int) -> bool:
    while number > 1 and number % base == 0:
        number //= base
    return number == 1


def _group(sb: Superblock, number: int, raw: bytes) -> Group:
    table, free, flags, unused = _u32(raw, 0x8), _u16(raw, 0xC), _u16(raw, 0x12), _u16(raw, 0x1C)
    if sb.descriptor_size >= 64:
        table |= _u32(raw, 0x28) << 32
        free |= _u16(raw, 0x2C) << 16
        unused |= _u16(raw, 0x32) << 16
    if not sb.ro_compat & (UNINIT_BG | METADATA_CSUM):
        flags, unused = 0, 0
    length = -(-sb.inodes_per_group * sb.inode_size // sb.block_size)
    if not sb.first_data_block < table <= sb.blocks - length:
        raise VerificationError(f"the inode table of group {number} is outside the file system")
    first = number * sb.inodes_per_group + 1
    there = max(0, min(sb.inodes_per_group, sb.inodes - first + 1))
    return Group(
        first_inode=first,
        table=table * sb.block_size,
        initialised=0 if flags & 1 else max(0, there - unused),
        free_blocks=free * sb.cluster_ratio,
    )
