"""Partition tables laid out by hand: what is accepted, and what is refused in which words."""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING

import pytest

from holdstill.disks import boot_gap, mbr, partition_table
from holdstill.disks.boot_gap import GapExtent
from holdstill.errors import LayoutError
from holdstill.filesystems import probe
from holdstill.model.layout import Disk, Partition, TableLabel
from support import images
from support.memory import Memory

if TYPE_CHECKING:
    from collections.abc import Mapping

SIZE = 1 << 20
END = SIZE // 512
Row = tuple[int, int, int]


def records(*rows: Row) -> bytes:
    """Lay out the end of a sector: rows are (type, start, size)."""
    raw = b"".join(struct.pack("<B3sB3sII", 0, bytes(3), *_spread(row)) for row in rows)
    return raw.ljust(64, b"\0") + b"\x55\xaa"


def _spread(row: Row) -> tuple[int, bytes, int, int]:
    kind, start, size = row
    return kind, bytes(3), start, size


def an_mbr(*rows: Row, links: Mapping[int, tuple[Row, ...]] | None = None) -> Memory:
    """Return a disk of 1 MiB with a table, and links of a chain by sector."""
    pieces = {446: records(*rows), 440: b"\x2e\x5d\x3c\x9a"}
    for sector, link in (links or {}).items():
        pieces[sector * 512 + 446] = records(*link)
    return Memory(SIZE, pieces)


def places(source: Memory) -> list[tuple[int, int, int]]:
    return [(p.number, p.start, p.size) for p in partition_table.read(source).partitions]


def test_logical_partitions_are_counted_from_five() -> None:
    source = an_mbr(
        (0x83, 10, 10),
        (0x0F, 100, 1000),
        links={
            100: ((0x83, 10, 20), (0x05, 200, 100)),
            300: ((0x82, 5, 50), (0x05, 400, 100)),
            500: ((0x83, 1, 99),),
        },
    )

    assert places(source) == [
        (1, 10, 10), (2, 100, 1000), (5, 110, 20), (6, 305, 50), (7, 501, 99),
    ]  # fmt: skip


def test_an_empty_link_in_the_chain_takes_no_number() -> None:
    source = an_mbr(
        (0x05, 100, 1000),
        links={100: ((0, 0, 0), (0x05, 200, 100)), 300: ((0x83, 5, 50),)},
    )

    assert places(source) == [(1, 100, 1000), (5, 305, 50)]


@pytest.mark.parametrize(
    ("rows", "links", "complaint"),
    [
        ([(0x05, 100, 1000)], {100: ((0x83, 10, 20), (0x05, 0, 100))}, "has no end"),
        (
            [(0x05, 100, 1000)],
            {100: ((0, 0, 0), (0x05, 50, 9)), 150: ((0, 0, 0), (0x05, 0, 9))},
            "has no end",
        ),
        ([(0x05, 100, 1000)], {100: ((0, 0, 0), (0x05, 1900, 9))}, "leaves its container"),
        ([(0x05, 100, 1000)], {100: ((0, 0, 0), (0x05, 50, 9))}, "broken at sector 150"),
        ([(0x05, 100, 1000)], {100: ((0x83, 10, 2000),)}, "ends at sector 2110"),
        ([(0x05, 100, 1000)], {100: ((0x83, 0, 20),)}, "overlaps the partition table"),
        (
            [(0x05, 100, 1000)],
            {100: ((0x83, 1, 60), (0x05, 50, 9)), 150: ((0x83, 20, 9),)},
            "partition 5 overlaps a link of the chain",
        ),
        ([(0x05, 100, 100), (0x0F, 300, 100)], {}, "more than one extended partition"),
        ([(0x83, 10, 100), (0x83, 109, 9)], {}, "partition 2 overlaps partition 1"),
        ([(0x83, 10, END)], {}, "partition 1 ends at sector"),
        ([(0x83, 0xFFFFFFFF, 0xFFFFFFFF)], {}, "partition 1 ends at sector"),
        ([(0xEE, 1, 9), (0x83, 10, 9)], {}, "hybrid"),
    ],
)
def test_s30_an_impossible_table_is_refused(
    rows: list[Row], links: dict[int, tuple[Row, ...]], complaint: str
) -> None:
    with pytest.raises(LayoutError, match=complaint):
        partition_table.read(an_mbr(*rows, links=links))


def test_s30_a_chain_of_many_links_ends() -> None:
    links = {100 + n: ((0, 0, 0), (0x05, n + 1, 1)) for n in range(mbr.LOGICAL_MAX + 5)}

    with pytest.raises(LayoutError, match="has no end"):
        partition_table.read(an_mbr((0x05, 100, 1000), links=links))


def gpt(
    *,
    first: int = 34,
    last: int = END - 34,
    array: int = 2,
    count: int = 128,
    entry: bytes = b"",
) -> Memory:
    """Return a disk of 1 MiB with one copy of a GPT whose checksums are right."""
    entries = entry.ljust(count * 128, b"\0")
    header = struct.pack(
        "<8sIIIIQQQQ16sQIII", b"EFI PART", 0x10000, 92, 0, 0, 1, END - 1, first, last,
        bytes(range(16)), array, count, 128, zlib.crc32(entries),
    )  # fmt: skip
    header = header[:16] + struct.pack("<I", zlib.crc32(header)) + header[20:]
    return Memory(SIZE, {446: records((0xEE, 1, END - 1)), 512: header, array * 512: entries})


def gpt_entry(
    *, first: int = 40, last: int = 50, attributes: int = 0, name: bytes = b"r\0o\0"
) -> bytes:
    return struct.pack("<16s16sQQQ72s", b"T" * 16, b"U" * 16, first, last, attributes, name)


def test_only_one_whole_copy_of_a_gpt_is_needed_and_told_about() -> None:
    source = gpt(entry=gpt_entry())

    assert places(source) == [(1, 40, 11)]
    assert "second copy of the GPT is unusable" in partition_table.warnings(source)[0]


def test_entries_that_make_room_for_a_loader_are_found() -> None:
    disk = partition_table.read(gpt(first=1024, array=512, entry=gpt_entry(first=1024, last=1100)))

    assert disk.entries_lba == 512
    assert partition_table.gap_ranges(disk) == [
        (0, 440),
        (1024, 512 * 512),
        (544 * 512, 1024 * 512),
    ]


def test_a_short_table_gives_its_place_to_the_gap() -> None:
    disk = partition_table.read(gpt(count=56, entry=gpt_entry()))

    assert disk.table_length == 56
    assert partition_table.gap_ranges(disk) == [(0, 440), (8192, 40 * 512)]


def test_a_table_that_was_read_by_other_means_has_the_usual_entries() -> None:
    one = Partition(number=1, start=2048, size=1, type="")

    disk = Disk(size=SIZE, label=TableLabel.GPT, partitions=(one,))

    assert partition_table.gap_ranges(disk) == [(0, 440), (34 * 512, 2048 * 512)]


def test_the_gap_ends_before_it_is_out_of_reach() -> None:
    far = Partition(number=1, start=1 << 22, size=1, type="83")

    disk = Disk(size=4 << 30, label=TableLabel.DOS, id="0x1", partitions=(far,))

    assert partition_table.gap_ranges(disk)[-1] == (512, mbr.REACH)


@pytest.mark.parametrize(
    ("source", "complaint"),
    [
        (gpt(first=0), "usable range"),
        (gpt(last=END), "usable range"),
        (gpt(first=60, last=50), "usable range"),
        (gpt(count=1025), "number of entries"),
        (gpt(count=0), "number of entries"),
        (gpt(first=30), "entry array's place"),
        (gpt(array=100), "entry array's place"),
        (gpt(entry=gpt_entry(first=20)), "overlaps the partition table"),
        (gpt(entry=gpt_entry(last=END)), "partition 1 ends at sector"),
        (gpt(entry=gpt_entry(first=51)), "ends before it begins"),
        (gpt(entry=gpt_entry() + gpt_entry(first=45)), "partition 2 overlaps partition 1"),
        (gpt(entry=gpt_entry(attributes=8)), "attributes that are reserved: 0x8"),
        (gpt(entry=gpt_entry(name=b"\x00\xd8a\0")), "name of partition 1 is not UTF-16"),
    ],
)
def test_s30_an_impossible_gpt_is_refused(source: Memory, complaint: str) -> None:
    with pytest.raises(LayoutError, match=complaint):
        partition_table.read(source)


def test_the_images_that_sfdisk_made_are_read() -> None:
    chain = partition_table.read(Memory.of(images.load("mbr")))
    modern = Memory.of(images.load("gpt"))

    assert [(p.number, p.type) for p in chain.partitions] == [
        (1, "c"), (2, "f"), (5, "83"), (6, "82"), (7, "83"),
    ]  # fmt: skip
    assert [p.name for p in partition_table.read(modern).partitions] == ["boot", "root"]
    assert partition_table.read(modern).partition(1).attrs == "RequiredPartition GUID:48"
    assert boot_gap.read(modern, partition_table.read(modern)) == [
        GapExtent(40 * 512, b"loader".ljust(4096, b"\0"))
    ]


# What is what ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "label"),
    [
        ("mbr", TableLabel.DOS), ("gpt", TableLabel.GPT), ("ext4", TableLabel.NONE),
        ("fat12", TableLabel.NONE), ("fat16", TableLabel.NONE), ("fat32", TableLabel.NONE),
        ("swap", TableLabel.NONE),
    ],
)  # fmt: skip
def test_the_kind_of_table_is_told(name: str, label: TableLabel) -> None:
    assert probe.table_label(Memory.of(images.load(name))) is label


def test_a_blank_disk_has_neither_table_nor_file_system() -> None:
    assert probe.table_label(Memory(SIZE, {})) is None
    assert probe.table_label(Memory(10, {})) is None


def test_an_empty_table_is_a_table() -> None:
    assert probe.table_label(an_mbr()) is TableLabel.DOS
    assert places(an_mbr()) == []
