from __future__ import annotations

import pytest

from holdstill.disks import used_gaps
from holdstill.disks.used_gaps import Gap
from holdstill.model.layout import Disk, Partition, TableLabel

MIB = 1 << 20


class Spots:
    """A disk of zeroes, with a few bytes at some places."""

    def __init__(self, size: int, spots: dict[int, bytes]) -> None:
        self._size, self._spots = size, spots
        self.bytes_read = 0

    @property
    def size(self) -> int:
        return self._size

    def read(self, offset: int, length: int) -> bytes:
        self.bytes_read += length
        data = bytearray(length)
        for at, spot in self._spots.items():
            start, end = max(at, offset), min(at + len(spot), offset + length)
            if start < end:
                data[start - offset : end - offset] = spot[start - at : end - at]
        return bytes(data)


def slot(number: int, start: int, size: int, kind: str = "83") -> Partition:
    return Partition(number=number, start=start * 2048, size=size * 2048, type=kind)


def disk(*slots: Partition, size: int = 1000) -> Disk:
    return Disk(size=size * MIB, label=TableLabel.DOS, id="0x1", partitions=slots)


ONE = disk(slot(1, 4, 6), slot(2, 12, 8))
WIDE = disk(slot(1, 4, 6), slot(2, 30, 8))
"""Of its gap the first 16 MiB are copied, and the other 4 looked at."""
LOGICAL = disk(slot(1, 4, 6), slot(2, 12, 20, "f"), slot(5, 13, 5), slot(6, 19, 5))


def test_gaps_are_between_partitions_and_not_before_or_behind_them() -> None:
    assert used_gaps.gaps(ONE) == [Gap(10 * MIB, 12 * MIB, 1)]
    assert used_gaps.gaps(disk(slot(1, 4, 6), slot(2, 10, 8))) == []
    assert used_gaps.gaps(disk(slot(2, 12, 8), slot(1, 4, 6))) == [Gap(10 * MIB, 12 * MIB, 1)]


def test_what_no_boot_gap_reaches_before_the_first_partition_is_a_gap() -> None:
    assert used_gaps.gaps(disk(slot(1, 100, 6))) == [Gap(64 * MIB, 100 * MIB, 0)]


@pytest.mark.parametrize(
    ("at", "spot", "start"),
    [
        (27 * MIB + 5000, b"U-Boot", 27 * MIB + 4096),
        (26 * MIB, b"x", 26 * MIB),
        (30 * MIB - 1, b"x", 30 * MIB - 4096),
        (30 * MIB, b"x", None),
        (26 * MIB - 1, b"x", None),
        (39 * MIB, b"x", None),
        (27 * MIB, b"\xff" * 4096, None),
    ],
)
def test_a_used_gap_begins_at_its_first_block_in_use_that_is_not_copied(
    at: int, spot: bytes, start: int | None
) -> None:
    expected = [] if start is None else [Gap(start, 30 * MIB, 1)]

    assert list(used_gaps.used(Spots(WIDE.size, {at: spot}), WIDE)) == expected


def test_beginnings_of_gaps_are_copied_up_to_a_sum() -> None:
    many = disk(*(slot(n, n * 40, 10) for n in range(1, 7)))

    assert used_gaps.copied(WIDE) == [Gap(10 * MIB, 26 * MIB, 1)]
    assert used_gaps.copied(ONE) == used_gaps.gaps(ONE)
    found = used_gaps.copied(many)
    assert sum(gap.end - gap.start for gap in found) == used_gaps.COPIED_MAX == 64 * MIB
    assert [gap.after for gap in found] == [1, 2, 3, 4]
    # The chain of logical partitions is in the gaps, and is made anew.
    assert used_gaps.copied(LOGICAL) == []
    assert list(used_gaps.used(Spots(LOGICAL.size, {11 * MIB: b"x"}), LOGICAL)) != []


# The chain of logical partitions: an MBR-like sector before each (Linux block/partitions/msdos.c).
def test_links_of_logical_partitions_are_no_use_of_a_gap() -> None:
    link = bytes(446) + b"\0" * 4 + b"\x83" + bytes(59) + b"\x55\xaa"
    spots = {12 * MIB: link, 18 * MIB: link}

    assert list(used_gaps.used(Spots(LOGICAL.size, spots), LOGICAL)) == []
    spots[18 * MIB + 512] = b"code"
    assert list(used_gaps.used(Spots(LOGICAL.size, spots), LOGICAL)) == [
        Gap(18 * MIB, 19 * MIB, 5)
    ]


def test_of_a_large_gap_samples_are_read() -> None:
    wide = disk(slot(1, 4, 6), slot(2, 900, 8))
    blank = Spots(wide.size, {})

    assert list(used_gaps.used(blank, wide)) == []
    assert blank.bytes_read < 20 * MIB
    written = Spots(wide.size, {400 * MIB: b"x" * 8 * MIB})
    assert [gap.after for gap in used_gaps.used(written, wide)] == [1]
