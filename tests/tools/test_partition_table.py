"""Tables, gap, swap areas and signatures against sfdisk, mkswap, mkfs and blkid."""

from __future__ import annotations

import json
import random
import struct
from typing import TYPE_CHECKING

import pytest

from holdstill.disks import boot_gap, partition_table
from holdstill.disks.boot_gap import GapExtent
from holdstill.errors import LayoutError
from holdstill.filesystems import probe
from holdstill.filesystems.swap import swap_reader
from holdstill.model.layout import Disk, Ext4, Fat, Partition, Raw, Swap, TableLabel
from holdstill.system import byte_source
from support import loop, programs

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.layout import FileSystem

MIB = 1 << 20
SIZE = 256 * MIB
TYPES = ["type=c", "type=83", "type=82", "type=ef", "type=e", "type=83, bootable"]
ATTRIBUTES = "RequiredPartition NoBlockIOProtocol LegacyBIOSBootable GUID:48,50,63"
SCRIPTS = {
    "the usual board": """\
label: dos
label-id: 0x9a3c5d2e
start=8192, size=65536, type=c, bootable
start=73728, type=83
""",
    "logical partitions": """\
label: dos
start=2048, size=20000, type=c
start=24576, size=400000, type=f
start=26624, size=10000, type=83, bootable
start=40960, size=20000, type=82
start=65536, size=2048, type=83
""",
    "slots with holes": """\
label: dos
4: start=4096, size=4096, type=83
2: start=16384, size=99, type=da
""",
    "out of order": """\
label: dos
start=100000, size=4096, type=83
start=2048, size=4096, type=b
""",
    "empty extended": "label: dos\nstart=2048, size=4096, type=5\n",
    "no partitions": "label: dos\nlabel-id: 0x1\n",
    "gpt": f"""\
label: gpt
label-id: 6E1FB2A0-1111-4222-8333-444455556666
start=8192, size=65536, type=uefi, name="boot é"
start=73728, size=100000, type=linux, name="root", attrs="{ATTRIBUTES}"
""",
    "gpt with early partitions": """\
label: gpt
first-lba: 34
table-length: 56
3: start=64, size=8000, type=linux
7: start=16384, size=16384, type=swap
""",
}


def made(path: Path, script: str, *, size: int = SIZE) -> Path:
    return loop.partitioned_image(path, size=size, script=script)


def read(image: Path) -> Disk:
    with byte_source.opened(image) as opened:
        return partition_table.read(opened)


def said_by_sfdisk(image: Path) -> Disk:
    """Return the same from sfdisk's own answer."""
    answer = json.loads(programs.run("sfdisk", "--json", image))["partitiontable"]
    prefix = str(image)
    partitions = [
        Partition(
            number=int(row["node"].removeprefix(prefix).removeprefix("p")),
            start=row["start"],
            size=row["size"],
            type=row["type"],
            uuid=row.get("uuid", ""),
            name=row.get("name", ""),
            attrs=row.get("attrs", ""),
            bootable=row.get("bootable", False),
        )
        for row in answer.get("partitions", [])
    ]
    return Disk(
        size=image.stat().st_size,
        sector_size=answer["sectorsize"],
        label=TableLabel(answer["label"]),
        id=answer["id"],
        first_lba=answer.get("firstlba", 0),
        last_lba=answer.get("lastlba", 0),
        # sfdisk 2.38 leaves it out when it is 128, and else writes it as text.
        table_length=int(answer.get("table-length", 128 if answer["label"] == "gpt" else 0)),
        partitions=tuple(sorted(partitions, key=lambda p: p.number)),
    )


@pytest.mark.parametrize("name", SCRIPTS)
def test_a_table_is_read_as_sfdisk_reads_it(tmp_path: Path, name: str) -> None:
    image = made(tmp_path / "card.img", SCRIPTS[name])

    found = read(image)

    assert found == said_by_sfdisk(image)


@pytest.mark.parametrize("seed", range(12))
def test_chains_of_any_length_are_read_as_sfdisk_reads_them(tmp_path: Path, seed: int) -> None:
    dice = random.Random(seed)  # noqa: S311
    lines = ["label: dos", "start=2048, size=2048, type=c", "start=8192, type=5"]
    start = 8192
    for _ in range(dice.randrange(1, 25)):
        start += 2048 * dice.randrange(1, 4)
        size = dice.randrange(1, 8000)
        lines.append(f"start={start}, size={size}, {dice.choice(TYPES)}")
        start += size
    image = made(tmp_path / "card.img", "\n".join(lines) + "\n")

    assert read(image) == said_by_sfdisk(image)


def test_partuuids_are_those_that_partx_shows(tmp_path: Path) -> None:
    image = made(tmp_path / "card.img", SCRIPTS["logical partitions"])
    found = read(image)

    said = programs.run("partx", "--raw", "--noheadings", "--output", "NR,UUID", image).decode()

    uuids = {int(number): uuid for number, uuid in (line.split() for line in said.splitlines())}
    assert {p.number: found.partuuid(p.number) for p in found.partitions} == uuids


def test_a_damaged_first_copy_of_a_gpt_is_replaced_by_the_second(tmp_path: Path) -> None:
    image = made(tmp_path / "card.img", SCRIPTS["gpt"])
    whole = read(image)
    with image.open("r+b") as file:
        file.seek(512 + 60)
        file.write(b"\xff")

    with byte_source.opened(image) as opened:
        assert partition_table.read(opened) == whole
        assert "first copy" in partition_table.warnings(opened)[0]


def test_a_gpt_that_is_damaged_twice_is_refused(tmp_path: Path) -> None:
    image = made(tmp_path / "card.img", SCRIPTS["gpt"])
    with image.open("r+b") as file:
        for at in (512 + 60, SIZE - 512 + 60):
            file.seek(at)
            file.write(b"\xff")

    with pytest.raises(LayoutError, match=r"wrong header checksum.*wrong header checksum"):
        read(image)


def test_a_card_that_grew_is_read_with_a_warning(tmp_path: Path) -> None:
    image = made(tmp_path / "card.img", SCRIPTS["gpt"])
    with image.open("r+b") as file:
        file.truncate(SIZE + MIB)

    with byte_source.opened(image) as opened:
        assert len(partition_table.read(opened).partitions) == 2
        warnings = partition_table.warnings(opened)

    assert warnings == ("the second copy of the GPT is at sector 524287, not at the end (526335)",)


def test_a_whole_gpt_has_no_warnings(tmp_path: Path) -> None:
    image = made(tmp_path / "card.img", SCRIPTS["gpt"])

    with byte_source.opened(image) as opened:
        assert partition_table.warnings(opened) == ()


def test_an_image_that_was_cut_short_is_refused(tmp_path: Path) -> None:
    image = made(tmp_path / "card.img", SCRIPTS["the usual board"])
    with image.open("r+b") as file:
        file.truncate(SIZE - 1024)

    with pytest.raises(LayoutError, match=r"partition 2 ends at sector 524288"):
        read(image)


def test_a_hybrid_table_is_refused(tmp_path: Path) -> None:
    image = made(tmp_path / "card.img", SCRIPTS["gpt"])
    with image.open("r+b") as file:
        file.seek(0x1CE)
        file.write(struct.pack("<B3sB3sII", 0, bytes(3), 0x0C, bytes(3), 8192, 65536))

    with pytest.raises(LayoutError, match="hybrid"):
        read(image)


def test_a_stale_gpt_behind_a_plain_mbr_is_not_looked_at(tmp_path: Path) -> None:
    image = made(tmp_path / "card.img", SCRIPTS["gpt"])
    with image.open("r+b") as file:
        file.seek(0x1BE)
        file.write(struct.pack("<B3sB3sII", 0, bytes(3), 0x83, bytes(3), 2048, 4096))

    found = read(image)

    assert found.label is TableLabel.DOS
    assert [p.start for p in found.partitions] == [2048]


@pytest.mark.parametrize("maker", [["mkfs.vfat", "-F", "16"], ["mkfs.vfat"], ["mke2fs", "-q"]])
def test_a_file_system_on_the_whole_card_is_one_partition(
    tmp_path: Path, maker: list[str]
) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=64 * MIB)
    programs.run(*maker, image)

    found = read(image)

    assert found.label is TableLabel.NONE
    assert [(p.number, p.start, p.size) for p in found.partitions] == [(1, 0, 131072)]
    assert partition_table.gap_ranges(found) == []


def test_a_blank_card_is_refused(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=MIB)

    with pytest.raises(LayoutError, match="no partition table"):
        read(image)


# The gap --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["the usual board", "gpt", "gpt with early partitions"])
def test_a_boot_loader_survives_the_way_through_a_gap_file(tmp_path: Path, name: str) -> None:
    image = made(tmp_path / "card.img", SCRIPTS[name])
    disk = read(image)
    dice = random.Random(7)  # noqa: S311
    ends = [end for _, end in partition_table.gap_ranges(disk)]
    places = [0, *range(16384 + 8192, ends[-1] - 9000, 400_000)]
    with image.open("r+b") as file:
        for at in places:
            file.seek(at)
            file.write(dice.randbytes(440 if at == 0 else 9000))

    with byte_source.opened(image) as opened:
        runs = boot_gap.decode(boot_gap.encode(boot_gap.read(opened, disk)))
    copy = made(tmp_path / "copy.img", SCRIPTS[name])
    programs.run("sfdisk", "--quiet", copy, stdin=programs.run("sfdisk", "--dump", image))
    with copy.open("r+b") as file:
        for run in runs:
            file.seek(run.offset)
            file.write(run.data)

    programs.run("cmp", image, copy)


def test_the_gap_of_an_empty_card_is_empty(tmp_path: Path) -> None:
    image = made(tmp_path / "card.img", SCRIPTS["the usual board"])

    with byte_source.opened(image) as opened:
        assert boot_gap.read(opened, partition_table.read(opened)) == []


def test_the_gap_leaves_out_blocks_of_zeroes_and_the_table(tmp_path: Path) -> None:
    image = made(tmp_path / "card.img", SCRIPTS["the usual board"])
    with image.open("r+b") as file:
        file.seek(439)
        file.write(b"!")
        file.seek(8192)
        file.write(b"loader")

    with byte_source.opened(image) as opened:
        runs = boot_gap.read(opened, partition_table.read(opened))

    assert runs == [GapExtent(0, bytes(439) + b"!"), GapExtent(8192, b"loader" + bytes(4090))]


# Swap, and everything else --------------------------------------------------------------------


@pytest.mark.parametrize("page_size", [4096, 16384, 65536])
def test_a_swap_area_is_known_by_what_mkswap_gave_it(tmp_path: Path, page_size: int) -> None:
    image = loop.blank_image(tmp_path / "swap.img", size=4 * MIB)
    uuid = "3e6be9de-8139-11d1-9106-a43f08d823a6"
    programs.run("mkswap", "--pagesize", str(page_size), "-L", "still water", "-U", uuid, image)

    with byte_source.opened(image) as opened:
        found = swap_reader.read(opened)

    assert found == Swap(uuid=uuid, label="still water", page_size=page_size)


def probed(image: Path) -> FileSystem:
    with byte_source.opened(image) as opened:
        return probe.probe(opened)


def test_what_mkfs_made_is_recognised(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "fs.img", size=64 * MIB)

    kinds = []
    for words in (["mkfs.vfat"], ["mke2fs", "-q", "-F"], ["mkswap"], ["mkfs.vfat", "-F", "32"]):
        programs.run(*words, image)
        kinds.append(type(probed(image)))

    assert kinds == [Fat, Ext4, Swap, Fat]


def test_a_damaged_ext4_is_kept_as_it_is(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "fs.img", size=64 * MIB)
    programs.run("mke2fs", "-q", "-F", image)
    with image.open("r+b") as file:
        file.seek(1024 + 0x58)  # the size of an inode
        file.write(b"\x07\x00")

    assert probed(image) == Raw(type="ext4", size=64 * MIB)


def test_a_journal_on_a_device_of_its_own_is_no_file_system(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "fs.img", size=64 * MIB)
    programs.run("mke2fs", "-q", "-F", "-O", "journal_dev", image)

    assert probed(image) == Raw(type="jbd", size=64 * MIB)
    assert programs.run("blkid", "-p", "-s", "TYPE", "-o", "value", image) == b"jbd\n"
