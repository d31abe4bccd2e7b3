"""The table writer against the golden vectors, byte for byte.

MBR-1 and GPT-1 (shared STANDARDS, sections 1 and 2) were made apart from this project by
util-linux and re-computed by hand from the UEFI Specification, 5.2.1, 5.2.3, 5.3.2 and 5.3.3.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.disks import logical_chain, partition_table_check, partition_table_writer
from holdstill.model.layout import Disk, Partition, TableLabel
from holdstill.system.process import LocalRunner
from support import loop

if TYPE_CHECKING:
    from pathlib import Path

SECTOR = 512
DISK = 4 << 30
MBR_1 = Disk(
    size=DISK,
    label=TableLabel.DOS,
    id="0x9a3c5d2e",
    partitions=(
        Partition(number=1, start=8192, size=1048576, type="c", bootable=True),
        Partition(number=2, start=1056768, size=7331840, type="83"),
    ),
)
GPT_1 = Disk(
    size=DISK,
    label=TableLabel.GPT,
    id="6E1FB2A0-1111-4222-8333-444455556666",
    first_lba=2048,
    last_lba=8388574,
    table_length=128,
    partitions=(
        Partition(
            number=1,
            start=8192,
            size=1048576,
            type="C12A7328-F81F-11D2-BA4B-00A0C93EC93B",
            uuid="0B0A0908-0706-4504-8302-010099AABBCC",
            name="boot",
        ),
        Partition(
            number=2,
            start=1056768,
            size=7329792,
            type="0FC63DAF-8483-4772-8E79-3D69D8477DE4",
            uuid="11111111-2222-4333-8444-555566667777",
            name="root",
        ),
    ),
)


def read(image: Path, offset: int, length: int) -> bytes:
    with image.open("rb") as file:
        file.seek(offset)
        return file.read(length)


@pytest.mark.tools
def test_mbr_1_is_byte_exact(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=DISK)

    partition_table_writer.write(image, MBR_1, LocalRunner())
    partition_table_check.check(image, MBR_1)

    assert read(image, 0, SECTOR) == bytes(0x1B8) + bytes.fromhex(
        "2e 5d 3c 9a 00 00"
        "80 82 03 00 0c c7 06 41 00 20 00 00 00 00 10 00"
        "00 c7 07 41 83 2a a0 0a 00 20 10 00 00 e0 6f 00"
    ) + bytes(32) + bytes.fromhex("55 aa")


@pytest.mark.tools
def test_gpt_1_is_byte_exact(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=DISK)

    partition_table_writer.write(image, GPT_1, LocalRunner())
    partition_table_check.check(image, GPT_1)

    assert read(image, 446, 66) == bytes.fromhex(
        "00 00 02 00 ee ff ff ff 01 00 00 00 ff ff 7f 00"
    ) + bytes(48) + bytes.fromhex("55 aa")
    assert read(image, SECTOR, SECTOR) == bytes.fromhex(
        "4546492050415254 00000100 5c000000 61045ba1 00000000 0100000000000000 ffff7f0000000000"
        "0008000000000000 deff7f0000000000 a0b21f6e111122428333444455556666"
        "0200000000000000 80000000 80000000 4a9442f6"
    ).ljust(SECTOR, b"\0")
    assert read(image, 2 * SECTOR, 128) == bytes.fromhex(
        "28732ac11ff8d211ba4b00a0c93ec93b 08090a0b060704458302010099aabbcc"
        "0020000000000000 ff1f100000000000 0000000000000000 62006f006f007400"
    ) + bytes(64)
    backup = read(image, 8388607 * SECTOR, SECTOR)
    assert backup[16:20] == bytes.fromhex("6d4f1670")  # CRC 0x70164F6D
    assert int.from_bytes(backup[72:80], "little") == 8388575


@pytest.mark.parametrize(
    ("sector", "chs"),
    [(8192, "82 03 00"), (1056767, "c7 06 41"), (1056768, "c7 07 41"), (1 << 30, "fe ff ff")],
)
def test_sector_numbers_are_written_the_old_way(sector: int, chs: str) -> None:
    # STANDARDS section 1: 255 heads, 63 sectors; the filler far out is common practice.
    assert logical_chain.chs(sector) == bytes.fromhex(chs)
