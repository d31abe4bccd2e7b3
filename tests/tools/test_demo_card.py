"""The demonstration's card, judged by other tools than those that made it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from holdstill.demo import card, material
from holdstill.system.process import LocalRunner
from support import programs

if TYPE_CHECKING:
    from pathlib import Path

ROOT_START = 139264


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    work = tmp_path_factory.mktemp("card")
    card.make(work / "card.img", LocalRunner(), size=160 << 20)
    return work / "card.img"


def test_the_table_is_as_on_a_board_that_boots_from_a_fat(image: Path) -> None:
    table = json.loads(programs.run("sfdisk", "--json", image))["partitiontable"]

    assert (table["label"], table["id"]) == ("dos", f"0x{material.DISK_ID}")
    assert [(row["start"], row["type"]) for row in table["partitions"]] == [
        (8192, "c"),
        (ROOT_START, "83"),
    ]


def test_something_lies_in_the_boot_gap_and_nothing_else_was_hurt(image: Path) -> None:
    with image.open("rb") as card_file:
        head = card_file.read(4 << 20)

    gap = material.boot_gap()
    assert head[8 << 10 : (8 << 10) + len(gap)] == gap
    assert head[512 : 8 << 10] == bytes((8 << 10) - 512)
    assert not any(head[(8 << 10) + len(gap) :])


def test_the_boot_partition_is_a_sound_fat_with_every_file(image: Path, tmp_path: Path) -> None:
    fat = tmp_path / "fat.img"
    with image.open("rb") as source:
        source.seek(4 << 20)
        fat.write_bytes(source.read(64 << 20))

    programs.run("fsck.vfat", "-n", fat)
    kind = programs.run("blkid", "-p", "-o", "value", "-s", "VERSION", fat)
    kernel = programs.run("mtype", "-i", fat, "::/kernel8.img")
    overlay = programs.run("mtype", "-i", fat, "::/overlays/tide-gauge.dtbo")

    assert kind == b"FAT32\n"
    assert kernel == material.kernel()
    assert overlay == material.device_tree()


def test_the_root_partition_is_a_sound_ext4_of_the_right_size(image: Path) -> None:
    where = f"{image}?offset={ROOT_START * 512}"

    programs.run("e2fsck", "-fn", where)
    told = programs.run("dumpe2fs", "-h", where).decode()

    facts = dict(line.split(":", 1) for line in told.splitlines() if ":" in line)
    assert facts["Filesystem UUID"].strip() == material.ROOT_UUID
    assert facts["Filesystem volume name"].strip() == "rootfs"
    size = int(facts["Block count"]) * int(facts["Block size"])
    assert size == (160 << 20) - ROOT_START * 512
