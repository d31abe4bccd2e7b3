from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from holdstill.board import block_trace
from holdstill.board.traced_disk import (
    Disk,
    NoTrace,
    Place,
    parse_changed_sectors,
    place_of,
    why_untraceable,
)

if TYPE_CHECKING:
    from pathlib import Path

CARD = Disk(179, 0)


def sysfs(top: Path, *more: str, iostats: str = "1") -> Path:
    """Make the part of a sysfs with a card and its second partition, and more directories."""
    card = top / "devices/card/block/mmcblk0"
    (card / "mmcblk0p2").mkdir(parents=True)
    (card / "queue").mkdir()
    files = {
        "dev": "179:0\n",
        "queue/iostats": f"{iostats}\n",
        "mmcblk0p2/dev": "179:2\n",
        "mmcblk0p2/partition": "2\n",
        "mmcblk0p2/start": "532480\n",
    }
    for name, text in files.items():
        (card / name).write_text(text, encoding="ascii")
    for name in more:
        (card / name).mkdir()
    (top / "dev/block").mkdir(parents=True)
    (top / "dev/block/179:0").symlink_to(card)
    (top / "dev/block/179:2").symlink_to(card / "mmcblk0p2")
    return top


def test_a_partition_is_at_its_first_byte_on_the_whole_disk(tmp_path: Path) -> None:
    top = sysfs(tmp_path)

    assert place_of(os.makedev(179, 2), top) == Place(CARD, 532480 * 512)
    assert place_of(os.makedev(179, 0), top) == Place(CARD, 0)


def test_a_file_system_without_a_device_is_nowhere(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        place_of(os.makedev(0, 33), sysfs(tmp_path))


@pytest.mark.parametrize(
    ("more", "iostats", "why"),
    [
        (["mq"], "1", None),
        (["mq", "dm"], "1", NoTrace.STACKED),
        (["md"], "1", NoTrace.STACKED),
        ([], "1", NoTrace.NOT_REQUEST_BASED),
        (["mq"], "0", NoTrace.NO_COUNT),
    ],
)
def test_why_a_disk_cannot_be_traced(
    tmp_path: Path, more: list[str], iostats: str, why: NoTrace | None
) -> None:
    refusal = why_untraceable(CARD, sysfs(tmp_path, *more, iostats=iostats))

    assert (refusal.why if refusal else None) is why
    assert refusal is None or str(refusal).endswith("(mmcblk0)")


def test_the_sectors_of_a_disk_s_stat() -> None:
    # Documentation/block/stat.rst: the 7th field is sectors written, the 14th sectors discarded.
    stat = b" 1 2 3 4 5 6 700 8 9 10 11 12 13 1400 15 16 17\n"

    assert parse_changed_sectors(stat) == 2100
    assert parse_changed_sectors(b"1 2 3 4 5 6 700 8 9 10 11") == 700  # before Linux 4.18


def test_the_filter_names_each_disk_and_leaves_out_reads() -> None:
    said = block_trace.kernel_filter([Disk(179, 0), Disk(8, 16)])

    assert said == ('(dev == 187695104 || dev == 8388624) && nr_sector > 0 && !(rwbs ~ "R*")')


def test_all_that_a_cpu_dropped_is_counted() -> None:
    # As Linux 6.18 prints it.
    stats = (
        "entries: 9\noverrun: 1\ncommit overrun: 20\nbytes: 948\noldest event ts:  9.1\n"
        "now ts:  9.2\ndropped events: 300\nread events: 0\n"
    )

    assert block_trace.parse_dropped(stats) == 321
