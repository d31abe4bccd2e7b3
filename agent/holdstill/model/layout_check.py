"""What a card can be made of: bounds of every number that a layout is reckoned with. Pure.

Beyond them no card is, and no arithmetic holds: a cluster of no sectors, a FAT of 7 bits.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from holdstill.model.layout import Disk, Ext4, Fat, FileSystem, Swap, TableLabel

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

_U8, _U16, _U32 = range(1 << 8), range(1 << 16), range(1 << 32)
_EXT4_BLOCKS = range(1 << 48)
_FAT_CLUSTERS = range(0x0FFFFFF7)
_POWERS = tuple(1 << power for power in range(17))
BOUNDS: Mapping[type, Mapping[str, Sequence[int]]] = {
    Disk: {
        "sector_size": _POWERS[9:],
        "table_length": range(1025),
    },
    Ext4: {
        "block_size": _POWERS[10:],
        "blocks": _EXT4_BLOCKS[1:],
        "inode_size": _POWERS[7:],
        "inodes": _U32[1:],
        "reserved_blocks": _EXT4_BLOCKS,
        "reserved_uid": _U32,
        "reserved_gid": _U32,
        "journal_blocks": _U32,
        "max_mount_count": range(-1, 1 << 15),
        "check_interval": _U32,
        "stride": _U16,
        "stripe_width": _U32,
        "used_blocks": _EXT4_BLOCKS,
    },
    Fat: {
        "bits": (12, 16, 32),
        "volume_id": _U32,
        "sector_size": _POWERS[9:13],
        "sectors_per_cluster": _POWERS[:8],
        "reserved_sectors": _U16[1:],
        "fats": (1, 2),
        "root_entries": _U16,
        "sectors": _U32[1:],
        "clusters": _FAT_CLUSTERS[1:],
        "used_clusters": _FAT_CLUSTERS,
        "hidden_sectors": _U32,
        "media": _U8,
    },
    Swap: {"page_size": _POWERS[12:]},
}
"""Linux Documentation/filesystems/ext4/super.rst; Microsoft, FAT: General Overview of On-Disk
Format, Boot Sector and BPB; PAGE_SIZE of Linux. Other kinds are reckoned with by their size only.
"""
_DOS_ID = re.compile(r"0x[0-9a-f]{8}")
_DOS_TYPE = re.compile(r"[0-9a-fA-F]{1,2}")


def of_disk(disk: Disk, path: str) -> Iterator[str]:
    """Complain of what no disk has; path is the key that it stands at."""
    yield from _numbers(disk, path)
    if disk.label is not TableLabel.DOS:
        return
    if _DOS_ID.fullmatch(disk.id) is None:
        yield f"{path}.id: expected a disk signature such as 0x9a3c5d2e; found {disk.id[:40]!r}"
    for partition in disk.partitions:
        if _DOS_TYPE.fullmatch(partition.type) is None:
            found = f"partition {partition.number} has {partition.type[:40]!r}"
            yield f"{path}.partitions: expected types such as c or 83; {found}"


def of_file_system(file_system: FileSystem, path: str) -> Iterator[str]:
    """Complain of what no file system of its kind has; path is the key that it stands at."""
    yield from _numbers(file_system, path)
    if isinstance(file_system, Ext4) and file_system.inode_size > file_system.block_size:
        yield f"{path}.inode_size: expected no more than a block"


def _numbers(holder: Disk | FileSystem, path: str) -> Iterator[str]:
    for name, allowed in BOUNDS.get(type(holder), {}).items():
        value: int = getattr(holder, name)
        if value not in allowed:
            yield f"{path}.{name}: expected {_said(allowed)}; found {value}"


def _said(allowed: Sequence[int]) -> str:
    if isinstance(allowed, range):
        return f"a whole number from {allowed[0]} to {allowed[-1]}"
    return f"one of {', '.join(map(str, allowed))}"
