"""Writes to a partition that nobody has mounted: what the kernel counts, and when it does not."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from holdstill.board.write_counter import WriteCounter
from support import loop
from support.loop import LoopDisk

TABLE = """\
label: dos
start=2048, size=20480, type=83
start=40960, size=20480, type=83
"""


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[LoopDisk]:
    image = loop.partitioned_image(tmp_path / "card.img", size=64 << 20, script=TABLE)
    with loop.attached(image) as found:
        yield found


def counter(disk: LoopDisk, number: int) -> WriteCounter:
    return WriteCounter(disk.partition(number))


def write(device: Path, *, at: int) -> None:
    """Write a sector."""
    with device.open("r+b", buffering=0) as handle:
        handle.seek(at)
        handle.write(os.urandom(512))


def test_reading_is_no_writing(disk: LoopDisk) -> None:
    one = counter(disk, 1)

    disk.partition(1).read_bytes()

    assert not one.has_grown


def test_a_write_is_noticed_while_it_is_still_in_memory(disk: LoopDisk) -> None:
    one, two = counter(disk, 1), counter(disk, 2)

    with disk.partition(2).open("r+b", buffering=0) as handle:  # closing it would flush it
        handle.write(os.urandom(4096))

        assert two.has_grown
        assert not one.has_grown


def test_a_write_through_the_whole_disk_may_have_been_anywhere(disk: LoopDisk) -> None:
    one, two = counter(disk, 1), counter(disk, 2)

    write(disk.device, at=2050 * 512)

    assert one.has_grown
    assert two.has_grown


def test_a_card_image_has_no_count(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=1 << 20)
    found = WriteCounter(image)

    write(image, at=0)

    assert (found.start, found.has_grown) == (None, False)
