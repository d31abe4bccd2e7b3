from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import TargetRefusedError
from holdstill.filesystems.fat import fat_boot_record, fat_parameters
from holdstill.model.layout import Fat
from holdstill.model.sizes import GIB, MIB

BOOT = Fat(
    bits=32, volume_id=0xA40D85E7, sectors_per_cluster=4, reserved_sectors=32, sectors=524_288,
    clusters=130_554, hidden_sectors=8192,
)  # fmt: skip


# Microsoft, FAT: General Overview of On-Disk Format 1.03, FAT Type Determination: FAT16 from 4085
# clusters, FAT32 from 65525.
@given(
    bits=st.sampled_from([12, 16, 32]),
    per_cluster=st.sampled_from([1, 2, 4, 8, 64]),
    size=st.integers(2 * MIB, 64 * GIB),
)
def test_a_fat_keeps_its_kind_or_is_refused(bits: int, per_cluster: int, size: int) -> None:
    was = Fat(
        bits=bits, volume_id=1, sectors_per_cluster=per_cluster, sectors=0, clusters=0,
        reserved_sectors=32 if bits == 32 else 1, root_entries=0 if bits == 32 else 512,
    )  # fmt: skip
    try:
        scaled = fat_parameters.resized(was, size=size)
    except TargetRefusedError:
        least, most = fat_parameters.CLUSTERS[bits]
        sectors = size // 512
        assert sectors // 128 > most * 0.99 or sectors < least * 1.1 + 200
        return

    assert fat_boot_record.bits_for(scaled.clusters) == bits
    used = fat_parameters.fat_sectors(scaled, scaled.clusters, scaled.sectors_per_cluster)
    assert used <= scaled.sectors == size // 512
    more = fat_parameters.fat_sectors(scaled, scaled.clusters + 1, scaled.sectors_per_cluster)
    assert more > scaled.sectors


def test_a_fat_keeps_its_clusters_while_their_number_suits() -> None:
    scaled = fat_parameters.resized(BOOT, size=512 * MIB)

    assert scaled.sectors_per_cluster == 4
    assert scaled.sectors == 1_048_576
    assert (scaled.volume_id, scaled.hidden_sectors) == (BOOT.volume_id, BOOT.hidden_sectors)


def test_a_fat32_that_is_too_small_is_refused() -> None:
    with pytest.raises(TargetRefusedError, match=r"FAT32 cannot have 16\.0 MiB"):
        fat_parameters.resized(BOOT, size=16 * MIB)
