from __future__ import annotations

import msgspec
import pytest

from holdstill.disks import partition_table_writer
from holdstill.errors import LayoutError
from holdstill.model.layout import Disk, Partition, TableLabel

LINUX = "0FC63DAF-8483-4772-8E79-3D69D8477DE4"
UNIQUE = "11111111-2222-4333-8444-555566667777"
MBR = Disk(
    size=4 << 30,
    label=TableLabel.DOS,
    id="0x9a3c5d2e",
    partitions=(
        Partition(number=1, start=8192, size=1048576, type="c", bootable=True),
        Partition(number=2, start=1056768, size=7331840, type="83"),
    ),
)
GPT = Disk(
    size=4 << 30,
    label=TableLabel.GPT,
    id="6E1FB2A0-1111-4222-8333-444455556666",
    first_lba=2048,
    last_lba=8388574,
    table_length=128,
    partitions=(
        Partition(number=2, start=8192, size=100, type=LINUX, uuid=UNIQUE, name='tide "gauge" é'),
    ),
)


def of_type(disk: Disk, **changes: str) -> Disk:
    partition = msgspec.structs.replace(disk.partitions[0], **changes)
    return msgspec.structs.replace(disk, partitions=(partition,))


def test_an_mbr_becomes_a_script() -> None:
    assert partition_table_writer.script(MBR) == (
        "label: dos\n"
        "label-id: 0x9a3c5d2e\n"
        "unit: sectors\n"
        "sector-size: 512\n"
        "\n"
        "1 : start=8192, size=1048576, type=c, bootable\n"
        "2 : start=1056768, size=7331840, type=83\n"
    )


def test_a_gpt_becomes_a_script_whose_names_can_do_no_harm() -> None:
    assert partition_table_writer.script(GPT) == (
        "label: gpt\n"
        "label-id: 6E1FB2A0-1111-4222-8333-444455556666\n"
        "unit: sectors\n"
        "sector-size: 512\n"
        "first-lba: 2048\n"
        "last-lba: 8388574\n"
        "table-length: 128\n"
        "\n"
        f"2 : start=8192, size=100, type={LINUX}, uuid={UNIQUE}, "
        'name="tide \\x22gauge\\x22 \\xc3\\xa9"\n'
    )


def test_the_end_of_a_gpt_is_left_open_on_a_target_of_another_size() -> None:
    same, other = (
        partition_table_writer.script(GPT, size=4 << 30),
        partition_table_writer.script(GPT, size=8 << 30),
    )

    assert "last-lba" in same
    assert "last-lba" not in other


def test_logical_partitions_are_not_left_to_sfdisk() -> None:
    container = Partition(number=4, start=16384, size=65536, type="f")
    logical = Partition(number=5, start=16447, size=2048, type="83")

    text = partition_table_writer.script(
        msgspec.structs.replace(MBR, partitions=(container, logical))
    )

    assert text.splitlines()[5:] == ["4 : start=16384, size=65536, type=f"]


@pytest.mark.parametrize(
    "hostile",
    [
        msgspec.structs.replace(MBR, id="0x9a3c5d2e\nlabel: gpt"),
        msgspec.structs.replace(GPT, id="0x9a3c5d2e"),
        of_type(MBR, type="c, bootable"),
        of_type(MBR, type=""),
        of_type(GPT, type="83"),
        of_type(GPT, uuid=""),
        of_type(GPT, attrs='GUID:60", name="x'),
        of_type(GPT, name="x" * 37),
    ],
)
def test_a_value_that_no_table_can_hold_is_refused(hostile: Disk) -> None:
    with pytest.raises(LayoutError, match=r"no such table can hold|36 UTF-16 units"):
        partition_table_writer.script(hostile)
