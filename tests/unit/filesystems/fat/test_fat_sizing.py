from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from holdstill.filesystems.fat import fat_parameters, fat_sizing
from holdstill.model.entries import Entry, EntryType
from holdstill.model.layout import Fat
from support.contents import a_folder, in_order

ROOT = a_folder(b"")
BOOT = Fat(
    bits=32, volume_id=1, sectors_per_cluster=4, reserved_sectors=32, sectors=2_000_000,
    clusters=490_000,
)  # fmt: skip


def a_file(path: bytes, size: int) -> Entry:
    directory, _, name = path.rpartition(b"/")
    return Entry(directory, name, EntryType.FILE, size=size)


def test_a_fat_never_needs_more_than_it_had() -> None:
    full = [ROOT, a_file(b"kernel.img", 2_000_000 * 512)]

    assert fat_sizing.need(full, BOOT).size == 2_000_000 * 512


# 1.03, FAT Type Determination: fewer than 65525 clusters would make it a FAT16.
def test_an_empty_fat32_needs_the_clusters_of_its_kind() -> None:
    need = fat_sizing.need([ROOT], BOOT)

    scaled = fat_parameters.resized(BOOT, size=need.size)
    assert scaled.clusters >= 65_525


@given(
    sizes=st.lists(st.integers(0, 3_000_000), max_size=30),
    directories=st.integers(0, 20),
    bits=st.sampled_from([16, 32]),
    per_cluster=st.sampled_from([1, 4, 16]),
)
def test_what_is_needed_is_enough(
    sizes: list[int], directories: int, bits: int, per_cluster: int
) -> None:
    was = Fat(
        bits=bits, volume_id=1, sectors_per_cluster=per_cluster, reserved_sectors=32,
        root_entries=0 if bits == 32 else 512, sectors=20_000_000, clusters=0,
    )  # fmt: skip
    folders = [a_folder(b"folder-%d" % number) for number in range(directories)]
    files = [
        a_file(b"folder-0/a long name %d" % number if folders else b"%d" % number, size)
        for number, size in enumerate(sizes)
    ]

    need = fat_sizing.need(in_order([ROOT, *folders, *files]), was)

    scaled = fat_parameters.resized(was, size=need.size)
    cluster = scaled.sectors_per_cluster * 512
    used = sum(-(-size // cluster) for size in sizes) + len(folders) + (bits == 32)
    assert scaled.clusters >= used
