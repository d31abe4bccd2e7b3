from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import TargetRefusedError
from holdstill.formats import fat as fat_format
from holdstill.model.layout import Ext4, Fat
from holdstill.model.sizes import GIB, MIB
from holdstill.rebuild import scaling

ROOT = Ext4(
    uuid="3e6be9de-8139-11d1-9106-a43f08d823a6",
    label="jetty",
    block_size=4096,
    blocks=1 << 20,
    inode_size=256,
    inodes=1 << 18,
    features=("has_journal", "extent", "64bit", "metadata_csum"),
    reserved_blocks=52_428,
    journal_blocks=16_384,
    stride=1024,
)
BOOT = Fat(
    bits=32, volume_id=0xA40D85E7, sectors_per_cluster=4, reserved_sectors=32, sectors=524_288,
    clusters=130_554, hidden_sectors=8192,
)  # fmt: skip


def test_shares_are_kept_when_an_ext4_grows() -> None:
    grown = scaling.ext4(ROOT, size=16 * GIB, inodes=1000)

    assert grown.blocks == 4 << 20
    assert grown.inodes == 1 << 20
    assert grown.reserved_blocks == 4 * 52_428
    assert grown.journal_blocks == ROOT.journal_blocks
    assert (grown.uuid, grown.features, grown.stride) == (ROOT.uuid, ROOT.features, 1024)


def test_there_are_always_enough_inodes() -> None:
    assert scaling.ext4(ROOT, size=GIB, inodes=200_000).inodes == 200_000


# e2fsprogs 1.47, lib/ext2fs/mkjournal.c: 1024, 4096, 8192, 16384, 32768 ... blocks.
@pytest.mark.parametrize(
    ("size", "journal"),
    [(64 * MIB, 1024), (512 * MIB, 4096), (3 * GIB // 2, 8192), (3 * GIB, 16_384)],
)
def test_a_shrunk_ext4_has_no_larger_journal_than_usual(size: int, journal: int) -> None:
    assert scaling.ext4(ROOT, size=size, inodes=1).journal_blocks == journal


def test_an_ext4_without_a_journal_gets_none() -> None:
    plain = Ext4(
        uuid="", block_size=1024, blocks=65_536, inode_size=128, inodes=1, features=("filetype",)
    )

    assert scaling.ext4(plain, size=32 * MIB, inodes=1).journal_blocks == 0


# super.rst: s_blocks_count_hi counts only with the feature 64bit.
def test_an_ext4_of_32_bits_stops_where_its_numbers_stop() -> None:
    small = Ext4(
        uuid="", block_size=1024, blocks=65_536, inode_size=256, inodes=16, features=("extent",)
    )

    assert scaling.ext4(small, size=8 << 40, inodes=1).blocks == 2**32 - 1


@given(size=st.integers(64 * MIB, 1 << 40), inodes=st.integers(1, 1 << 20))
def test_scaled_parameters_make_sense(size: int, inodes: int) -> None:
    scaled = scaling.ext4(ROOT, size=size, inodes=inodes)

    assert scaled.blocks * scaled.block_size <= size
    assert scaled.inodes >= inodes
    assert scaled.reserved_blocks <= scaled.blocks // 2
    assert 0 < scaled.journal_blocks <= ROOT.journal_blocks
    assert scaled.journal_blocks * 4 <= scaled.blocks


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
        scaled = scaling.fat(was, size=size)
    except TargetRefusedError:
        least, most = scaling.CLUSTERS[bits]
        sectors = size // 512
        assert sectors // 128 > most * 0.99 or sectors < least * 1.1 + 200
        return

    assert fat_format.bits_for(scaled.clusters) == bits
    used = scaling.fat_sectors(scaled, scaled.clusters, scaled.sectors_per_cluster)
    assert used <= scaled.sectors == size // 512
    more = scaling.fat_sectors(scaled, scaled.clusters + 1, scaled.sectors_per_cluster)
    assert more > scaled.sectors


def test_a_fat_keeps_its_clusters_while_their_number_suits() -> None:
    scaled = scaling.fat(BOOT, size=512 * MIB)

    assert scaled.sectors_per_cluster == 4
    assert scaled.sectors == 1_048_576
    assert (scaled.volume_id, scaled.hidden_sectors) == (BOOT.volume_id, BOOT.hidden_sectors)


def test_a_fat32_that_is_too_small_is_refused() -> None:
    with pytest.raises(TargetRefusedError, match=r"FAT32 cannot have 16\.0 MiB"):
        scaling.fat(BOOT, size=16 * MIB)
