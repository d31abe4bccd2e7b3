from __future__ import annotations

import struct
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import TargetFailedError
from holdstill.filesystems.ext4 import assemble, ext4_writer, geometry
from holdstill.filesystems.ext4.libext2fs import BlockRun
from holdstill.model.layout import Ext4

PLACE = Path("/run/scratch/empty")
ROOT = Ext4(
    uuid="3e6be9de-8139-11d1-9106-a43f08d823a6",
    label="jetty",
    block_size=4096,
    blocks=262_144,
    inode_size=256,
    inodes=65_536,
    features=("has_journal", "extent", "quota", "metadata_csum"),
    hash_seed="01234567-89ab-cdef-0123-456789abcdef",
    reserved_blocks=13_107,
    reserved_uid=7,
    reserved_gid=8,
    errors="remount-ro",
    mount_defaults=("acl", "journal_data"),
    journal_blocks=8192,
    max_mount_count=31,
    check_interval=2_592_000,
    stride=1024,
    stripe_width=2048,
)


EXTENDED = (
    "nodiscard,lazy_itable_init=1,root_owner=0:0,"
    "hash_seed=01234567-89ab-cdef-0123-456789abcdef,stride=1024,stripe_width=2048"
)


# Options: mke2fs(8) and tune2fs(8) of e2fsprogs 1.47.
def test_an_empty_file_system_is_asked_for_by_its_parameters_alone() -> None:
    command = ext4_writer.mke2fs(PLACE, ROOT)

    assert command.argv == (
        "mke2fs", "-F", "-q", "-b", "4096", "-I", "256", "-N", "65536",
        "-U", "3e6be9de-8139-11d1-9106-a43f08d823a6", "-L", "jetty", "-m", "0",
        "-e", "remount-ro", "-O", "none,has_journal,extent,metadata_csum",
        "-E", EXTENDED,
        "-J", "size=32", str(PLACE), "262144",
    )  # fmt: skip
    assert ("MKE2FS_CONFIG", "/dev/null") in command.environment


def test_the_rest_is_set_afterwards() -> None:
    command = ext4_writer.tune2fs(PLACE, ROOT)

    words = command.argv
    assert words[:11] == (
        "tune2fs", "-r", "13107", "-u", "7", "-g", "8", "-c", "31", "-i", "2592000s",
    )  # fmt: skip
    options = words[12].split(",")
    assert options[-2:] == ["acl", "journal_data"]
    assert all(option.startswith("^") for option in options[:-2])
    assert "^user_xattr" in options


def test_extended_mount_options_keep_their_commas() -> None:
    wanted = msgspec.structs.replace(ROOT, mount_opts="commit=60,barrier=1")

    commands = list(ext4_writer.settings(PLACE, wanted))

    assert commands[-1].argv[-2:] == (
        "set_super_value mount_opts commit=60,barrier=1", str(PLACE),
    )  # fmt: skip
    assert len(list(ext4_writer.settings(PLACE, ROOT))) == 1


def test_a_file_system_without_a_journal_is_asked_for_none() -> None:
    plain = msgspec.structs.replace(ROOT, features=("extent",), journal_blocks=0)

    assert "-J" not in ext4_writer.mke2fs(PLACE, plain).argv


@pytest.mark.parametrize(
    ("blocks", "block_size", "features", "mib"),
    [
        (1024, 4096, (), 4),
        (16_384, 4096, (), 64),
        (4096, 1024, (), 4),
        (4097, 4096, (), 17),
        (4096 + 64, 4096, ("fast_commit",), 16),
    ],
)
def test_the_journal_is_given_in_whole_mebibytes(
    blocks: int, block_size: int, features: tuple[str, ...], mib: int
) -> None:
    wanted = msgspec.structs.replace(
        ROOT, journal_blocks=blocks, block_size=block_size, features=features
    )

    assert ext4_writer.journal_mib(wanted) == mib


def test_quota_is_counted_when_the_files_are_there() -> None:
    assert ext4_writer.quota("card.img?offset=512", ROOT).argv == (
        "tune2fs", "-O", "quota", "card.img?offset=512",
    )  # fmt: skip


# tune2fs 1.47 switches quota on with -O project (seen; tests/root/test_ext4_project_ids.py has a
# file system with projects and no quota), so it is asked for both or none.
@pytest.mark.parametrize(
    ("features", "by_mke2fs", "counted"),
    [
        (("extent", "project"), "none,extent,project", ()),
        (("extent", "quota"), "none,extent", ("quota",)),
        (("extent", "project", "quota"), "none,extent", ("project", "quota")),
    ],
)
def test_projects_without_quota_stay_without(
    features: tuple[str, ...], by_mke2fs: str, counted: tuple[str, ...]
) -> None:
    parameters = msgspec.structs.replace(ROOT, features=features)

    words = ext4_writer.mke2fs(Path("i"), parameters).argv

    assert words[words.index("-O") + 1] == by_mke2fs
    assert ext4_writer.counted_features(parameters) == counted


@given(
    runs=st.lists(st.tuples(st.integers(0, 200), st.integers(1, 30)), max_size=8),
    taken=st.lists(st.tuples(st.integers(0, 200), st.integers(1, 30)), max_size=8),
)
def test_taking_runs_out_leaves_the_rest(
    runs: list[tuple[int, int]], taken: list[tuple[int, int]]
) -> None:
    apart = list(_apart(taken))

    left = list(assemble.without([BlockRun(*run) for run in runs], apart))

    out = {block for run in apart for block in range(run.first, run.first + run.length)}
    wanted = [
        block for first, length in runs for block in range(first, first + length)
        if block not in out
    ]  # fmt: skip
    assert [b for run in left for b in range(run.first, run.first + run.length)] == wanted


def _apart(runs: list[tuple[int, int]]) -> list[BlockRun]:
    """Sort runs and push them apart, as tables of groups are."""
    position, found = 0, []
    for first, length in sorted(runs):
        start = max(first, position)
        found.append(BlockRun(start, length))
        position = start + length
    return found


def superblock(**fields: tuple[int, str, int]) -> bytes:
    block = bytearray(1024)
    struct.pack_into("<H", block, 0x38, 0xEF53)
    for offset, kind, value in fields.values():
        struct.pack_into(f"<{kind}", block, offset, value)
    return bytes(block)


# Linux Documentation/filesystems/ext4/super.rst gives every offset.
def test_a_superblock_is_understood_as_the_kernels_documents_say() -> None:
    found = geometry.parse(
        superblock(
            inodes=(0x0, "I", 65_536), blocks=(0x4, "I", 5), free=(0xC, "I", 3),
            first=(0x14, "I", 1), log=(0x18, "I", 2), group=(0x28, "I", 8192),
            size=(0x58, "H", 512), compat=(0x5C, "I", 0x24), incompat=(0x60, "I", 0x40C2),
            ro=(0x64, "I", 0x420), version=(0xFC, "B", 1), high=(0x150, "I", 1),
            free_high=(0x158, "I", 2), flags=(0x160, "I", 2),
        )
    )  # fmt: skip

    assert (found.inodes, found.blocks, found.free_blocks) == (65_536, 2**32 + 5, 2**33 + 3)
    assert (found.block_size, found.first_block, found.inode_size) == (4096, 1, 512)
    assert (found.inodes_per_group, found.inodes_per_block) == (8192, 8)
    assert found.has_journal
    assert found.has_extents
    assert found.counts_many_directories
    assert found.leaves_inodes_unset
    assert not found.has_inline_data
    assert (found.hash_version, found.has_unsigned_hash) == (1, True)
    assert found.shape == (4096, True, True, 2)


def test_upper_halves_count_only_in_64_bits() -> None:
    found = geometry.parse(superblock(blocks=(0x4, "I", 5), high=(0x150, "I", 1)))

    assert found.blocks == 5


@pytest.mark.parametrize("block", [b"", bytes(1024)])
def test_what_is_no_superblock_is_refused(block: bytes) -> None:
    with pytest.raises(TargetFailedError, match="no ext4"):
        geometry.parse(block)
