"""The boot sector of a FAT as its reader understands it: Microsoft, FAT: On-Disk Format 1.03."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import VerificationError

if TYPE_CHECKING:
    from holdstill.system.byte_source import ByteSource


FAT12_MAX, FAT16_MAX, FAT32_MAX = 4084, 65524, 0x0FFFFFF6
"""Most clusters of each kind."""
_BOOT = struct.Struct("<3s8sHBHBHHBHHHII")


class BootRecord(NamedTuple):
    """The boot sector, and what follows from it.

    Attributes:
        fat_sectors: sectors of one table.
        root_cluster: first cluster of the root directory of a FAT32, else 0.
        volume_id, label, state: from the extended part; the label may be out of date.
    """

    oem: bytes
    sector_size: int
    sectors_per_cluster: int
    reserved_sectors: int
    fats: int
    root_entries: int
    sectors: int
    media: int
    fat_sectors: int
    hidden_sectors: int
    root_cluster: int
    volume_id: int
    label: bytes
    state: int

    @property
    def root_sectors(self) -> int:
        """Sectors of a root directory that has a separate area."""
        return -(-self.root_entries * 32 // self.sector_size)

    @property
    def first_root_sector(self) -> int:
        """Sector behind the tables."""
        return self.reserved_sectors + self.fats * self.fat_sectors

    @property
    def clusters(self) -> int:
        """Count of clusters, by the formula of 1.03, FAT Type Determination."""
        data = self.sectors - self.first_root_sector - self.root_sectors
        return data // self.sectors_per_cluster

    @property
    def bits(self) -> int:
        """12, 16 or 32: the count of clusters decides.

        But for a volume laid out as a FAT32 that is too small to be one: Linux and firmware take
        it for what its tables are, and boards are sold with such a partition.
        """
        return 32 if self.root_cluster else bits_for(self.clusters)

    @property
    def cluster_size(self) -> int:
        """Bytes of one cluster."""
        return self.sectors_per_cluster * self.sector_size


def bits_for(clusters: int) -> int:
    """Return the kind of FAT that a volume with this many clusters is."""
    if clusters <= FAT12_MAX:
        return 12
    return 16 if clusters <= FAT16_MAX else 32


def read_boot(source: ByteSource) -> BootRecord:
    """Understand the boot sector.

    Raises:
        VerificationError: it is none of a FAT.
    """
    try:
        raw = source.read(0, 512)
    except EOFError as error:
        raise VerificationError("too small for a FAT") from error
    (_, oem, sector_size, per_cluster, reserved, fats, root_entries, few_sectors, media,
     fat_small, _, _, hidden, many_sectors) = _BOOT.unpack_from(raw)  # fmt: skip
    is_32 = fat_small == 0
    _require(raw[510:512] == b"\x55\xaa")
    _require(sector_size in {512, 1024, 2048, 4096} and per_cluster in _CLUSTER_SECTORS)
    _require(reserved > 0 and fats in {1, 2} and (media == 0xF0 or media >= 0xF8))
    extended = raw[64:] if is_32 else raw[36:]
    # 0x28: an older form with an id but without a label.
    has_id = extended[2] in {0x28, 0x29}
    boot = BootRecord(
        oem=oem,
        sector_size=sector_size,
        sectors_per_cluster=per_cluster,
        reserved_sectors=reserved,
        fats=fats,
        root_entries=root_entries,
        sectors=few_sectors or many_sectors,
        media=media,
        fat_sectors=int.from_bytes(raw[36:40], "little") if is_32 else fat_small,
        hidden_sectors=hidden,
        root_cluster=int.from_bytes(raw[44:48], "little") if is_32 else 0,
        volume_id=int.from_bytes(extended[3:7], "little") if has_id else 0,
        label=extended[7:18] if extended[2] == 0x29 else b"",
        state=extended[1],
    )
    _check_boot(boot, source, is_32=is_32)
    return boot


_CLUSTER_SECTORS = frozenset({1, 2, 4, 8, 16, 32, 64, 128})


def _check_boot(boot: BootRecord, source: ByteSource, *, is_32: bool) -> None:
    _require(0 < boot.clusters <= FAT32_MAX and boot.fat_sectors > 0)
    _require(is_32 or boot.clusters <= FAT16_MAX)
    _require(is_32 == (boot.root_entries == 0) and is_32 == (boot.root_cluster >= 2))
    _require(boot.root_entries * 32 % boot.sector_size == 0)
    needed = (boot.clusters + 2) * boot.bits
    _require(needed <= boot.fat_sectors * boot.sector_size * 8)
    _require(boot.sectors * boot.sector_size <= source.size)


def _require(good: bool) -> None:  # noqa: FBT001  an assertion
    if not good:
        raise VerificationError("no FAT, or one whose boot sector makes no sense")
