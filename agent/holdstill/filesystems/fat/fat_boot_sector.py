"""What the boot sector of a fresh FAT contains about its layout."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holdstill.model.layout import Fat

OEM_AT = 3
_FIELDS = struct.Struct("<HBHBHHBH")
_NOWHERE = frozenset({0, 0xFFFF})


@dataclass(frozen=True)
class BootSector:
    """Fields of FAT: General Overview of On-Disk Format; sizes in sectors.

    Attributes:
        bits: 12, 16 or 32.
        root_cluster, info, backup: of a FAT32, else 0.
    """

    bits: int
    sector_size: int
    sectors_per_cluster: int
    reserved: int
    fats: int
    root_entries: int
    sectors: int
    fat_size: int
    root_cluster: int = 0
    info: int = 0
    backup: int = 0

    @classmethod
    def parse(cls, raw: bytes, *, bits: int) -> BootSector:
        """Read the boot sector that mkfs.vfat made for a FAT of this many bits."""
        sector, cluster, reserved, fats, roots, few, _, fat16 = _FIELDS.unpack_from(raw, 11)
        many, fat32 = struct.unpack_from("<II", raw, 32)
        root, info, backup = struct.unpack_from("<IHH", raw, 44) if bits == 32 else (0, 0, 0)
        sizes = (sector, cluster, reserved, fats, roots, few or many, fat16 or fat32)
        return cls(bits, *sizes, root, info, backup)

    @property
    def root_sectors(self) -> int:
        """Sectors of a root directory that has a separate area."""
        return -(-self.root_entries * 32 // self.sector_size)

    @property
    def first_root_sector(self) -> int:
        """Sector behind the tables."""
        return self.reserved + self.fats * self.fat_size

    @property
    def first_cluster_sector(self) -> int:
        """Sector where cluster 2 begins."""
        return self.first_root_sector + self.root_sectors

    @property
    def clusters(self) -> int:
        """Count the clusters."""
        return (self.sectors - self.first_cluster_sector) // self.sectors_per_cluster

    @property
    def cluster_size(self) -> int:
        """Bytes of one cluster."""
        return self.sectors_per_cluster * self.sector_size

    @property
    def empty_size(self) -> int:
        """Bytes that an empty file system consists of: all before the second cluster."""
        return (self.first_cluster_sector + self.sectors_per_cluster) * self.sector_size

    @property
    def boot_sectors(self) -> tuple[int, ...]:
        """The sectors that hold a copy of this."""
        return (0,) if self.backup in _NOWHERE else (0, self.backup)

    @property
    def info_sectors(self) -> tuple[int, ...]:
        """The sectors that hold the count of free clusters."""
        if self.info in _NOWHERE:
            return ()
        return (self.info,) if self.backup in _NOWHERE else (self.info, self.backup + self.info)

    def place(self, cluster: int) -> int:
        """Return where a cluster begins, in bytes."""
        sector = self.first_cluster_sector + (cluster - 2) * self.sectors_per_cluster
        return sector * self.sector_size

    def strangeness(self, wanted: Fat) -> int:
        """Count in how many ways this is not laid out as wanted."""
        pairs = [
            (self.sectors, wanted.sectors or self.sectors),
            (self.clusters, wanted.clusters if wanted.sectors else self.clusters),
            (self.reserved, wanted.reserved_sectors),
            (self.root_entries, wanted.root_entries),
        ]
        return sum(mine != theirs for mine, theirs in pairs)
