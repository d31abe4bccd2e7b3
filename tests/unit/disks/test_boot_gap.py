"""The boot gap file, at its limits."""

from __future__ import annotations

import struct

import pytest
from msgspec import structs

from holdstill.disks import boot_gap
from holdstill.disks.boot_gap import GapExtent
from holdstill.errors import LayoutError, SecurityError
from holdstill.model.layout import Disk, Partition, TableLabel
from support.memory import Memory


def disk(start: int = 64) -> Disk:
    first = Partition(number=1, start=start, size=8, type="83")
    return Disk(size=1 << 20, label=TableLabel.DOS, id="0x1", partitions=(first,))


def file(*runs: tuple[int, int], data: bytes = b"") -> bytes:
    heads = b"".join(struct.pack("<QI", offset, length) for offset, length in runs)
    return b"HSGAP\0\0\1" + struct.pack("<I", len(runs)) + heads + data


def test_neighbouring_blocks_are_one_run() -> None:
    source = Memory(1 << 20, {4096: b"a", 8192 + 4095: b"b", 20480: b"c"})

    found = boot_gap.read(source, disk())

    assert [(run.offset, len(run.data)) for run in found] == [(4096, 8192), (20480, 4096)]


def test_runs_keep_to_the_ranges_between_table_and_partition() -> None:
    source = Memory(1 << 20, {0: b"x" * (1 << 16)})

    found = boot_gap.read(source, disk())

    assert [(run.offset, run.end) for run in found] == [(0, 440), (512, 64 * 512)]


MIB = 1 << 20
TWO = Disk(
    size=64 * MIB, label=TableLabel.DOS, id="0x1", partitions=(
        Partition(number=1, start=4 * 2048, size=6 * 2048, type="c"),
        Partition(number=2, start=12 * 2048, size=8 * 2048, type="83"),
    ),
)  # fmt: skip


def test_what_is_between_partitions_belongs_to_it_and_what_nobody_wrote_does_not() -> None:
    source = Memory(64 * MIB, {
        8192: b"loader", 10 * MIB: b"second stage", 11 * MIB: b"\xff" * 4096,
        9 * MIB: b"of partition 1", 21 * MIB: b"behind all",
    })  # fmt: skip

    found = boot_gap.read(source, TWO)

    assert [(run.offset, run.end) for run in found] == [
        (8192, 12288), (10 * MIB, 10 * MIB + 4096),
    ]  # fmt: skip
    assert boot_gap.decode(boot_gap.encode(found)) == found
    assert boot_gap.where_free(found, TWO) == (found, [])


def test_where_a_partition_is_now_nothing_can_go_back() -> None:
    first, between = GapExtent(8192, b"a" * 512), GapExtent(10 * MIB, b"b" * 512)
    grown = structs.replace(TWO, partitions=(
        Partition(number=1, start=4 * 2048, size=6 * 2048 + 1, type="c"),
        TWO.partitions[1],
    ))  # fmt: skip
    small = structs.replace(TWO, size=10 * MIB + 511, partitions=TWO.partitions[:1])

    assert boot_gap.where_free([first, between], grown) == ([first], [between])
    assert boot_gap.where_free([first, between], small) == ([first], [between])


def test_a_disk_that_ends_inside_its_gap_is_refused() -> None:
    with pytest.raises(LayoutError, match="ends inside its boot gap"):
        boot_gap.read(Memory(8192, {}), disk())


def test_no_runs_are_a_file_too() -> None:
    assert boot_gap.decode(boot_gap.encode([])) == []


def test_s20_a_run_may_end_where_a_disk_could_and_not_behind() -> None:
    last = (1 << 60) - 4

    assert boot_gap.decode(file((last, 4), data=b"abcd")) == [GapExtent(last, b"abcd")]
    with pytest.raises(SecurityError, match="out of reach"):
        boot_gap.decode(file((last, 5), data=b"abcde"))


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        (b"", "not a boot gap"),
        (b"HSGAP\0\0\2" + bytes(4), "not a boot gap"),
        (b"HSGAP\0\0\1\xff\xff\xff\xff", "too many runs"),
        (file((0, 4)), "cut short"),
        (file((0, 0)), "empty run"),
        (file((0, 4), (4, 4), data=b"abcdefgh"), "out of order"),
        (file((8, 4), (0, 4), data=b"abcdefgh"), "out of order"),
        (file((2**63, 4), data=b"abcd"), "out of reach"),
        (file((0, 4), data=b"abcde"), "longer than its runs"),
    ],
)
def test_s30_a_gap_file_with_impossible_numbers_is_refused(content: bytes, complaint: str) -> None:
    with pytest.raises(SecurityError, match=complaint):
        boot_gap.decode(content)
