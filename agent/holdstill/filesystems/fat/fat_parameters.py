"""The parameters of a FAT of another size. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import TargetRefusedError
from holdstill.model.sizes import human

if TYPE_CHECKING:
    from holdstill.model.layout import Fat

CLUSTERS = {12: (1, 4068), 16: (4101, 65508), 32: (65541, 268435444)}
"""Least and most clusters of each kind: the borders of Microsoft, FAT: On-Disk Format 1.03, FAT
Type Determination (4085 and 65525), and the 16 clusters on either side that it warns against."""
SECTORS_PER_CLUSTER_MAX = 128
_ENTRY = 32


def resized(parameters: Fat, *, size: int) -> Fat:
    """Return the parameters for a size in bytes.

    The kind of FAT stays, since firmware may read only that; so do sector size, reserved sectors
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
    """Return the sectors of a FAT with this many clusters of this many sectors."""
    table = -(-(clusters + 2) * parameters.bits // (8 * parameters.sector_size))
    fixed = parameters.reserved_sectors + _root_sectors(parameters) + parameters.fats * table
    return fixed + clusters * per_cluster
