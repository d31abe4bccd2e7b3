"""Tables on plain files, judged by sfdisk and by a reader that shares nothing with the writer."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from holdstill.disks import partition_table, partition_table_check, partition_table_writer
from holdstill.errors import LayoutError, TargetFailedError
from holdstill.model.layout import Disk, Partition, TableLabel
from holdstill.system import byte_source
from holdstill.system.process import LocalRunner
from support import loop, programs

if TYPE_CHECKING:
    from pathlib import Path

SIZE = 64 << 20
LINUX = "0FC63DAF-8483-4772-8E79-3D69D8477DE4"
BOOT_CODE, LOADER = b"\xaa" * 440, b"\xbb" * (1 << 20)


def logical(*places: tuple[int, int]) -> Disk:
    """Return an MBR with a container over sectors 16384..81920 and these logical partitions."""
    return Disk(
        size=SIZE,
        label=TableLabel.DOS,
        id="0x5ca1ab1e",
        partitions=(
            Partition(number=1, start=8192, size=2048, type="c", bootable=True),
            Partition(number=3, start=16384, size=65536, type="5"),
            *(
                Partition(number=number, start=start, size=size, type="83")
                for number, (start, size) in enumerate(places, start=5)
            ),
        ),
    )


def gpt(*, first_lba: int = 2048, last_lba: int = 0, entries_lba: int = 0) -> Disk:
    """Return a GPT with one partition in its third slot."""
    partition = Partition(
        number=3,
        start=8192,
        size=4096,
        type=LINUX,
        uuid="11111111-2222-4333-8444-555566667777",
        name='the "tide" gauge \\ é, $(x)',
        attrs="RequiredPartition LegacyBIOSBootable GUID:60,63",
    )
    return Disk(
        size=SIZE,
        label=TableLabel.GPT,
        id="6E1FB2A0-1111-4222-8333-444455556666",
        first_lba=first_lba,
        last_lba=last_lba,
        table_length=128,
        entries_lba=entries_lba,
        partitions=(partition,),
    )


def read_table(image: Path) -> Disk:
    with byte_source.opened(image) as card:
        return partition_table.read(card)


@pytest.mark.parametrize(
    "places",
    [
        [(18432, 2048)],
        [(18432, 2048), (22528, 1024), (30000, 50000)],
        [(18432, 2048), (30720, 1024), (24576, 1024)],
    ],
)
def test_logical_partitions_lie_as_sfdisk_would_lay_them(
    tmp_path: Path, places: list[tuple[int, int]]
) -> None:
    disk = logical(*places)
    ours = loop.blank_image(tmp_path / "ours.img", size=SIZE)
    lines = [
        f"{p.number} : start={p.start}, size={p.size}, type={p.type}" for p in disk.partitions
    ]
    script = "label: dos\nlabel-id: 0x5ca1ab1e\n" + "\n".join(lines).replace("=c", "=c, bootable")
    theirs = loop.partitioned_image(tmp_path / "theirs.img", size=SIZE, script=script)

    partition_table_writer.write(ours, disk, LocalRunner())
    partition_table_check.check(ours, disk)

    assert ours.read_bytes() == theirs.read_bytes()


@pytest.mark.parametrize(
    "places",
    [
        [(16385, 2048), (18434, 100)],
        [(18432, 2048), (20481, 1024)],
        [(16447, 2048), (20544, 1024), (21631, 100)],
        [(40000, 1024), (30000, 10000), (16386, 100)],
    ],
)
def test_logical_partitions_stay_where_sfdisk_would_not_put_them(
    tmp_path: Path, places: list[tuple[int, int]]
) -> None:
    disk = logical(*places)
    image = loop.blank_image(tmp_path / "card.img", size=SIZE)

    partition_table_writer.write(image, disk, LocalRunner())
    partition_table_check.check(image, disk)

    rows = json.loads(programs.run("sfdisk", "--json", image))["partitiontable"]["partitions"]
    assert [(row["start"], row["size"]) for row in rows[2:]] == places
    assert read_table(image).partitions == disk.partitions
    programs.run("sfdisk", "--verify", image)


def test_a_link_without_room_is_refused(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=SIZE)

    with pytest.raises(LayoutError, match="no room for the link of logical partition 6"):
        partition_table_writer.write(image, logical((16385, 2048), (18433, 100)), LocalRunner())

    assert image.stat().st_blocks == 0


@pytest.mark.parametrize("disk", [logical((18432, 2048)), gpt()])
def test_boot_code_and_loaders_outlive_the_table(tmp_path: Path, disk: Disk) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=SIZE)
    with image.open("r+b") as card:
        card.write(BOOT_CODE)
        card.seek(32 << 10)
        card.write(LOADER)

    partition_table_writer.write(image, disk, LocalRunner())
    partition_table_check.check(image, disk)

    written = image.read_bytes()
    assert written[:440] == BOOT_CODE
    assert written[32 << 10 :].startswith(LOADER)


def test_a_gpt_keeps_names_attributes_and_numbers(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=SIZE)

    partition_table_writer.write(image, gpt(), LocalRunner())
    partition_table_check.check(image, gpt())

    found = json.loads(programs.run("sfdisk", "--json", image))["partitiontable"]
    assert found["id"] == gpt().id
    (row,) = found["partitions"]
    assert row["node"].endswith("card.img3")
    assert row["name"] == 'the "tide" gauge \\ é, $(x)'
    assert row["attrs"] == "RequiredPartition LegacyBIOSBootable GUID:60,63"
    programs.run("sfdisk", "--verify", image)


def test_a_gpt_made_for_a_smaller_card_uses_all_of_a_larger_one(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=2 * SIZE)

    partition_table_writer.write(image, gpt(last_lba=SIZE // 512 - 34), LocalRunner())
    partition_table_check.check(image, gpt(last_lba=SIZE // 512 - 34))

    assert read_table(image).last_lba == 2 * SIZE // 512 - 34


# Allwinner boot ROMs look at 8 KiB, inside a GPT of the usual place (U-Boot doc/board/allwinner).
def test_a_loader_at_8_kib_outlives_a_gpt_whose_entries_make_room(tmp_path: Path) -> None:
    disk = gpt(first_lba=8192, entries_lba=4096)
    image = loop.blank_image(tmp_path / "card.img", size=SIZE)
    with image.open("r+b") as card:
        card.seek(8 << 10)
        card.write(LOADER)

    partition_table_writer.write(image, disk, LocalRunner())
    partition_table_check.check(image, disk)

    assert image.read_bytes()[8 << 10 :].startswith(LOADER)
    assert read_table(image).entries_lba == 4096
    programs.run("sfdisk", "--verify", image)


@pytest.mark.parametrize("disk", [logical((18432, 2048)), gpt()])
def test_a_table_other_than_the_planned_one_is_found_by_reading_it_back(
    tmp_path: Path, disk: Disk
) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=SIZE)
    partition_table_writer.write(image, disk, LocalRunner())
    partition_table_check.check(image, disk)

    programs.run("sfdisk", "--quiet", "--delete", image, str(disk.partitions[-1].number))

    with pytest.raises(TargetFailedError, match="the partition table reads back as"):
        partition_table_check.check(image, disk)
    with image.open("r+b") as card:
        card.write(bytes(34 * 512))  # the primary table of either kind
    with pytest.raises(TargetFailedError, match="cannot be read back"):
        partition_table_check.check(image, disk)


def test_a_table_that_does_not_fit_is_told_in_sfdisks_words(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=SIZE // 32)

    with pytest.raises(TargetFailedError, match=r"sfdisk.*ended with status 1"):
        partition_table_writer.write(image, gpt(), LocalRunner())


def test_a_file_system_on_the_whole_disk_gets_no_table(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=SIZE)

    partition_table_writer.write(image, Disk(size=SIZE, label=TableLabel.NONE), LocalRunner())
    partition_table_check.check(image, Disk(size=SIZE, label=TableLabel.NONE))

    assert image.stat().st_blocks == 0
