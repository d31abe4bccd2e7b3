from __future__ import annotations

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.filesystems.ext4 import ext4_parameters
from holdstill.model.layout import Ext4
from holdstill.model.sizes import GIB, MIB

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


def test_shares_are_kept_when_an_ext4_grows() -> None:
    grown = ext4_parameters.resized(ROOT, size=16 * GIB, inodes=1000)

    assert grown.blocks == 4 << 20
    assert grown.inodes == 1 << 20
    assert grown.reserved_blocks == 4 * 52_428
    assert grown.journal_blocks == ROOT.journal_blocks
    assert (grown.uuid, grown.features, grown.stride) == (ROOT.uuid, ROOT.features, 1024)


def test_there_are_always_enough_inodes() -> None:
    assert ext4_parameters.resized(ROOT, size=GIB, inodes=200_000).inodes == 200_000


# e2fsprogs 1.47, lib/ext2fs/mkjournal.c: 1024, 4096, 8192, 16384, 32768 ... blocks.
@pytest.mark.parametrize(
    ("size", "journal"),
    [(64 * MIB, 1024), (512 * MIB, 4096), (3 * GIB // 2, 8192), (3 * GIB, 16_384)],
)
def test_a_shrunk_ext4_has_no_larger_journal_than_usual(size: int, journal: int) -> None:
    assert ext4_parameters.resized(ROOT, size=size, inodes=1).journal_blocks == journal


# The same sizes: 1024 is the least that there may be (mke2fs(8), -J size).
@pytest.mark.parametrize(
    ("own", "smaller"),
    [(16_384, [8192, 4096, 1024]), (5000, [4096, 1024]), (1024, []), (1100, [1024])],
)
def test_a_journal_can_give_way_to_each_smaller_one_that_is_usual(
    own: int, smaller: list[int]
) -> None:
    root = msgspec.structs.replace(ROOT, journal_blocks=own)

    assert list(ext4_parameters.journals(root)) == [own, *smaller]
    assert ext4_parameters.with_least_journal(root).journal_blocks == 1024


def test_where_there_is_no_journal_none_can_give_way() -> None:
    bare = msgspec.structs.replace(ROOT, journal_blocks=0, features=("extent",))

    assert list(ext4_parameters.journals(bare)) == [0]
    assert ext4_parameters.with_least_journal(bare) == bare


def test_a_journal_of_unknown_size_can_become_any_usual_one() -> None:
    *_, least = ext4_parameters.journals(msgspec.structs.replace(ROOT, journal_blocks=0))

    assert least == 1024


def test_an_ext4_without_a_journal_gets_none() -> None:
    plain = Ext4(
        uuid="", block_size=1024, blocks=65_536, inode_size=128, inodes=1, features=("filetype",)
    )

    assert ext4_parameters.resized(plain, size=32 * MIB, inodes=1).journal_blocks == 0


# super.rst: s_blocks_count_hi counts only with the feature 64bit.
def test_an_ext4_of_32_bits_stops_where_its_numbers_stop() -> None:
    small = Ext4(
        uuid="", block_size=1024, blocks=65_536, inode_size=256, inodes=16, features=("extent",)
    )

    assert ext4_parameters.resized(small, size=8 << 40, inodes=1).blocks == 2**32 - 1


@given(size=st.integers(64 * MIB, 1 << 40), inodes=st.integers(1, 1 << 20))
def test_scaled_parameters_make_sense(size: int, inodes: int) -> None:
    scaled = ext4_parameters.resized(ROOT, size=size, inodes=inodes)

    assert scaled.blocks * scaled.block_size <= size
    assert scaled.inodes >= inodes
    assert scaled.reserved_blocks <= scaled.blocks // 2
    assert 0 < scaled.journal_blocks <= ROOT.journal_blocks
    assert scaled.journal_blocks * 4 <= scaled.blocks
