"""How much room a tree needs in a FAT. Pure."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

from holdstill.filesystems.fat import fat_parameters
from holdstill.model.entries import EntryType
from holdstill.model.layout import Need

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from holdstill.model.entries import Entry
    from holdstill.model.layout import Fat

RECORD, UNITS_PER_RECORD = 32, 13
"""Bytes of a directory record, and UTF-16 units of a long name in one (Microsoft, FAT: On-Disk
Format 1.03, FAT Long Directory Entries)."""
DOTS, LABEL = 2, 1
SPARE_CLUSTERS = 16
"""Clusters that mkfs.vfat may lose when it aligns what comes before them."""


def need(entries: Iterable[Entry], parameters: Fat) -> Need:
    """Return what entries, in key order, need of a FAT whose partition may shrink.

    Every name is taken for a long one. It is never more than the FAT that was captured: there
    they had room.
    """
    own = parameters.sectors * parameters.sector_size
    contents, tables = _lengths(entries)
    # Clusters may be halved so that their number suits the kind of FAT: see fat_parameters.
    powers = range(parameters.sectors_per_cluster.bit_length())
    cluster_sizes = [parameters.sectors_per_cluster >> power for power in powers]
    sectors = max(
        _sectors(parameters, contents, tables, per_cluster) for per_cluster in cluster_sizes
    )
    return Need(0, min(sectors * parameters.sector_size, own))


def _sectors(
    parameters: Fat, contents: Sequence[int], tables: Sequence[int], per_cluster: int
) -> int:
    size = per_cluster * parameters.sector_size
    clusters = sum(-(-length // size) for length in (*contents, *tables))
    clusters = max(clusters, fat_parameters.CLUSTERS[parameters.bits][0])
    return fat_parameters.fat_sectors(parameters, clusters + SPARE_CLUSTERS, per_cluster)


def _lengths(entries: Iterable[Entry]) -> tuple[list[int], list[int]]:
    """Return the bytes of all files, and those of all directories."""
    contents: list[int] = []
    tables: list[int] = []
    filled = directories = 0
    for path, group in groupby(entries, key=lambda entry: entry.directory):
        records = DOTS if path else LABEL
        for entry in group:
            if entry.path == b"":
                continue
            directories += entry.type is EntryType.DIRECTORY
            units = len(entry.name.decode(errors="replace").encode("utf-16-le")) // 2
            records += 1 + -(-units // UNITS_PER_RECORD)
            contents.append(entry.size)
        filled += path != b""
        tables.append(records * RECORD)
    return contents, tables + [DOTS * RECORD] * (directories - filled)
