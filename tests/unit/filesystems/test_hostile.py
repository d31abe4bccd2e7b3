"""Bytes that may come from anybody: reading ends soon, and with no error but one of ours.

Small real images are damaged where they hold something; FAULTS S20, S25, S26, S29, S30, S31.
"""

from __future__ import annotations

import contextlib
import functools
import itertools
import re
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.disks import boot_gap, partition_table
from holdstill.disks.boot_gap import GapExtent
from holdstill.errors import HoldstillError, SecurityError
from holdstill.filesystems import probe
from holdstill.filesystems.ext4 import ext4_reader
from holdstill.filesystems.fat import fat_reader
from holdstill.filesystems.file_tree import Content
from holdstill.filesystems.swap import swap_reader
from holdstill.model import entries as entry_streams
from holdstill.model import paths
from support import images
from support.memory import Memory

if TYPE_CHECKING:
    from collections.abc import Callable

pytestmark = pytest.mark.timeout(120)  # many examples, perhaps on a busy machine

LOGICAL_MAX = 8 << 20
"""Bytes of all files of an image together, more than any of them has."""
Damage = list[tuple[int, bytes]]


@functools.cache
def used(name: str) -> list[int]:
    """Return the places of an image that are not zero, and their neighbours."""
    content = images.load(name)
    found = [match.start() for match in re.finditer(rb"[^\0]", content)]
    return sorted({min(at + step, len(content) - 8) for at in found for step in (0, 1, 4)})


NUMBERS = st.sampled_from([0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF])
VALUES = st.one_of(
    st.binary(min_size=1, max_size=4),
    st.builds(lambda n, size: (n % 256**size).to_bytes(size, "little"),
              NUMBERS, st.sampled_from([1, 2, 4])),
)  # fmt: skip


def damages(name: str) -> st.SearchStrategy[Damage]:
    place = st.one_of(
        st.sampled_from(used(name)), st.integers(0, min(8192, len(images.load(name)) - 8))
    )
    return st.lists(st.tuples(place, VALUES), min_size=1, max_size=6)


def damaged(name: str, damage: Damage) -> Memory:
    return Memory.of(images.load(name)).patched(damage)


def survives(source: Memory, *readers: Callable[[Memory], object]) -> None:
    """Let each reader have a try, and see that it neither runs on nor raises a stranger."""
    for reader in readers:
        before = source.bytes_read
        with contextlib.suppress(HoldstillError):
            reader(source)
        assert source.bytes_read - before < 64 * source.size + LOGICAL_MAX


def read_ext4(source: Memory) -> object:
    return list(ext4_reader.Ext4Reader(source).entries(Content.HASHED, logical_max=LOGICAL_MAX))


def describe_ext4(source: Memory) -> object:
    volume = ext4_reader.Ext4Reader(source)
    return volume.parameters(), volume.groups()


def search_ext4(source: Memory) -> object:
    volume = ext4_reader.Ext4Reader(source)
    return volume.find(b"a/deep/leaf"), volume.children(b"many"), volume.read(b"file", limit=4096)


def read_fat(source: Memory) -> object:
    return list(fat_reader.FatReader(source).entries(Content.HASHED, logical_max=LOGICAL_MAX))


def describe_fat(source: Memory) -> object:
    volume = fat_reader.FatReader(source)
    return volume.parameters(), volume.is_dirty


def search_fat(source: Memory) -> object:
    volume = fat_reader.FatReader(source)
    found = volume.find(b"overlays/inner/empty"), volume.children(b"overlays")
    return found, volume.read(b"config.txt", limit=4096)


def read_table(source: Memory) -> object:
    disk = partition_table.read(source)
    return partition_table.warnings(source), boot_gap.decode(
        boot_gap.encode(boot_gap.read(source, disk))
    )


@pytest.mark.parametrize("name", images.EXT)
@given(data=st.data())
def test_s20_a_damaged_ext4_is_read_or_refused(name: str, data: st.DataObject) -> None:
    source = damaged(name, data.draw(damages(name)))

    survives(source, describe_ext4, search_ext4, read_ext4, probe.probe)


@pytest.mark.parametrize("name", images.FAT)
@given(data=st.data())
def test_s20_a_damaged_fat_is_read_or_refused(name: str, data: st.DataObject) -> None:
    source = damaged(name, data.draw(damages(name)))

    survives(source, describe_fat, search_fat, read_fat, probe.probe)


@pytest.mark.parametrize("name", images.TABLES)
@given(data=st.data())
def test_s20_a_damaged_table_is_read_or_refused(name: str, data: st.DataObject) -> None:
    source = damaged(name, data.draw(damages(name)))

    survives(source, read_table, probe.table_label)


@given(damage=damages("swap"))
def test_s20_a_damaged_swap_area_is_read_or_refused(damage: Damage) -> None:
    survives(damaged("swap", damage), swap_reader.read, probe.probe)


@pytest.mark.parametrize("name", images.NAMES)
@given(data=st.data())
def test_a_source_that_ends_early_is_read_or_refused(name: str, data: st.DataObject) -> None:
    whole = images.load(name)
    size = data.draw(st.one_of(st.integers(0, 70_000), st.integers(0, len(whole))))

    survives(
        Memory.of(whole[:size]), read_ext4, read_fat, read_table, swap_reader.read, probe.probe,
        probe.table_label,
    )  # fmt: skip


@given(content=st.binary(max_size=8192))
def test_any_bytes_are_read_or_refused(content: bytes) -> None:
    survives(
        Memory.of(content), read_ext4, read_fat, read_table, swap_reader.read, probe.probe,
        probe.table_label,
    )  # fmt: skip


@pytest.mark.parametrize("name", [*images.EXT, *images.FAT])
@given(data=st.data())
def test_s25_what_is_read_is_well_formed_and_in_order(name: str, data: st.DataObject) -> None:
    source = damaged(name, data.draw(damages(name)))
    read = read_fat if name in images.FAT else read_ext4
    try:
        found = read(source)
    except HoldstillError:
        return

    assert isinstance(found, list)
    keys = [entry_streams.key(entry) for entry in found]
    assert keys[0] == (b"", b"")
    assert all(one < other for one, other in itertools.pairwise(keys))
    for entry in found:
        paths.check_path(entry.path)
        assert bool(entry.digest) == (entry.size > 0)
        assert entry.size >= 0


RUNS = st.lists(
    st.tuples(st.integers(0, 1 << 20), st.binary(min_size=1, max_size=50)), max_size=8
).map(
    lambda rows: [
        GapExtent(sum(step + 1 + 50 for step, _ in rows[:number]) + rows[number][0], data)
        for number, (_, data) in enumerate(rows)
    ]
)


@given(runs=RUNS)
def test_a_gap_file_gives_back_what_was_written(runs: list[GapExtent]) -> None:
    assert boot_gap.decode(boot_gap.encode(runs)) == runs


@given(runs=RUNS, cut=st.integers(1, 200))
def test_s20_a_gap_file_that_was_cut_short_is_refused(runs: list[GapExtent], cut: int) -> None:
    whole = boot_gap.encode(runs)

    with pytest.raises(SecurityError):
        boot_gap.decode(whole[: max(0, len(whole) - cut)])


@given(runs=RUNS, extra=st.binary(min_size=1, max_size=9))
def test_a_gap_file_with_something_behind_it_is_refused(
    runs: list[GapExtent], extra: bytes
) -> None:
    with pytest.raises(SecurityError):
        boot_gap.decode(boot_gap.encode(runs) + extra)


@given(content=st.binary(max_size=400).map(lambda rest: b"HSGAP\0\0\1" + rest))
def test_any_bytes_are_a_gap_file_or_refused(content: bytes) -> None:
    try:
        runs = boot_gap.decode(content)
    except SecurityError:
        return

    assert boot_gap.encode(runs) == content
