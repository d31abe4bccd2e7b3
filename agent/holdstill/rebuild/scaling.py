"""What becomes of a file system's parameters when its partition changes size. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import TargetRefusedError
from holdstill.model.sizes import human

if TYPE_CHECKING:
    from holdstill.model.layout import Ext4, Fat

JOURNAL_LEAST = 1024
"""Blocks of the smallest journal (mke2fs(8), -J size)."""
USUAL_JOURNALS = (
    (2048, 0), (32 << 10, 1024), (256 << 10, 4096), (512 << 10, 8192), (4 << 20, 16 << 10),
    (8 << 20, 32 << 10), (16 << 20, 64 << 10), (32 << 20, 128 << 10),
)  # fmt: skip
"""Blocks below which mke2fs makes journals of so many blocks: 1.47, ext2fs_get_journal_params."""
LARGEST_USUAL_JOURNAL = 256 << 10
_BLOCKS_32BIT = 2**32 - 1
CLUSTERS = {12: (1, 4068), 16: (4101, 65508), 32: (65541, 268435444)}
"""Least and most clusters of each kind: the borders of Microsoft, FAT: On-Disk Format 1.03, FAT
Type Determination (4085 and 65525), and the 16 clusters on either side that it tells to avoid."""
SECTORS_PER_CLUSTER_MAX = 128
_ENTRY = 32


def least_blocks(parameters: Ext4) -> int:
    """Return how many blocks a file system has at least, so that it has a journal if it should."""
    return 4 * JOURNAL_LEAST if "has_journal" in parameters.features else 64


def ext4(parameters: Ext4, *, size: int, inodes: int) -> Ext4:
    """Return the parameters for a size in bytes and a tree that needs so many inodes.

    Inodes and reserved blocks keep their share of the blocks, and there are enough inodes. The
    journal keeps its size, but where the file system shrinks it is no larger than mke2fs would
    make it. Everything else stays.
    """
    blocks = size // parameters.block_size
    if "64bit" not in parameters.features:
        blocks = min(blocks, _BLOCKS_32BIT)
    old = max(parameters.blocks, 1)
    journal = parameters.journal_blocks
    if blocks < old and journal:
        journal = min(journal, max(usual_journal(blocks), JOURNAL_LEAST))
    return msgspec.structs.replace(
        parameters,
        blocks=blocks,
        inodes=max(parameters.inodes * blocks // old, inodes),
        reserved_blocks=min(parameters.reserved_blocks * blocks // old, blocks // 2),
        journal_blocks=journal,
    )


def usual_journal(blocks: int) -> int:
    """Return the blocks of the journal that mke2fs gives a file system of so many blocks."""
    return next((journal for limit, journal in USUAL_JOURNALS if blocks < limit), 0) or (
        0 if blocks < USUAL_JOURNALS[0][0] else LARGEST_USUAL_JOURNAL
    )


def fat(parameters: Fat, *, size: int) -> Fat:
    """Return the parameters for a size in bytes.

    The kind of FAT stays, since firmware may know only that; so do sector size, reserved sectors
    and the root directory. Clusters stay as they are while their number suits the kind, else they
    are doubled or halved until it does.

    Raises:
        TargetRefusedError: no size of clusters suits the kind.
    """
    sectors = size // parameters.sector_size
    least, most = CLUSTERS[parameters.bits]
    per_cluster = parameters.sectors_per_cluster
    while _clusters(parameters, sectors, per_cluster) > most:
        per_cluster *= 2
    while _clusters(parameters, sectors, per_cluster) < least and per_cluster > 1:
        per_cluster //= 2
    clusters = _clusters(parameters, sectors, per_cluster)
    if per_cluster > SECTORS_PER_CLUSTER_MAX or not least <= clusters <= most:
        raise TargetRefusedError(
            f"a FAT{parameters.bits} cannot have {human(size)}",
            hint="let another partition give or take the space",
        )
    return msgspec.structs.replace(
        parameters, sectors=sectors, sectors_per_cluster=per_cluster, clusters=clusters
    )


def _clusters(parameters: Fat, sectors: int, per_cluster: int) -> int:
    """Solve sectors = reserved + root + FATs + clusters for the number of clusters."""
    overhead = parameters.reserved_sectors + _root_sectors(parameters)
    bits_per_cluster = per_cluster * parameters.sector_size * 8 + parameters.fats * parameters.bits
    clusters = max(sectors - overhead, 0) * parameters.sector_size * 8 // bits_per_cluster
    while clusters > 0 and fat_sectors(parameters, clusters, per_cluster) > sectors:
        clusters -= 1
    return clusters


def _root_sectors(parameters: Fat) -> int:
    return -(-parameters.root_entries * _ENTRY // parameters.sector_size)


def fat_sectors(parameters: Fat, clusters: int, per_cluster: int) -> int:
    """Return the sectors of a FAT with so many clusters of so many sectors."""
    table = -(-(clusters + 2) * parameters.bits // (8 * parameters.sector_size))
    fixed = parameters.reserved_sectors + _root_sectors(parameters) + parameters.fats * table
    return fixed + clusters * per_cluster
