"""compare --live on what is in no file: a slot with a squashfs, and the boot gap."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from support import boards, squashfs_board
from support.boards import holdstill

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from support.boards import Board, Nearby

pytestmark = pytest.mark.timeout(120)
NOTHING = "nothing differs but times"
GAP = 1 << 20
"""A byte before the first partition, which begins at sector 8192."""


@pytest.fixture
def captured(tmp_path: Path) -> Iterator[tuple[Board, Nearby]]:
    with (
        squashfs_board.running(tmp_path) as board,
        boards.kept_nearby(tmp_path, board.root) as kept,
    ):
        holdstill("capture", "--settings", kept.settings)
        yield board, kept


def compared(kept: Nearby, how: str) -> tuple[list[str], list[str], str]:
    """Return what differs of the card, what is not compared, and what is said to people."""
    named = ("pier-3", "--store", kept.store) if how == "store" else ()
    words = ("compare", *named, "--live", "--settings", kept.settings)
    said = json.loads(holdstill(*words, "--json"))
    return said["card"], said["not_compared"], " ".join(holdstill(*words).decode().split())


@pytest.mark.parametrize("how", ["store", "memory"])
def test_a_slot_and_a_boot_gap_that_were_written_to_differ(
    captured: tuple[Board, Nearby], how: str
) -> None:
    board, kept = captured
    slot = board.disk.partition(squashfs_board.ROOT)

    before = compared(kept, how)
    with slot.open("r+b") as device:  # behind the squashfs: it stays mounted
        device.seek(-4096, 2)
        device.write(b"another system")
    with board.disk.device.open("r+b") as device:
        device.seek(GAP)
        device.write(b"a boot loader")
    card, left, text = compared(kept, how)

    assert before[:2] == ([], [])
    assert NOTHING in before[2]
    assert card == [
        "the boot gap: new",
        "the bytes of partition 2: other bytes than before",
    ]
    assert left == []
    assert NOTHING not in text


def test_a_partition_table_that_was_changed_differs_from_what_the_board_remembers(
    captured: tuple[Board, Nearby],
) -> None:
    board, kept = captured
    with board.disk.device.open("r+b") as device:  # UEFI Specification 5.2.1: the disk signature
        device.seek(440)
        device.write((0x0BADCAFE).to_bytes(4, "little"))

    card, _, text = compared(kept, "memory")

    assert "the card's table: dos 0x9a3c5d2e -> dos 0x0badcafe" in card
    assert NOTHING not in text


def test_what_is_left_out_or_forgotten_is_said_not_to_be_compared(
    captured: tuple[Board, Nearby],
) -> None:
    _, kept = captured
    (kept.settings.parent / "state/manifest.yaml").write_bytes(b"")
    _, forgotten, text = compared(kept, "memory")
    with kept.settings.open("a", encoding="utf-8") as settings:
        settings.write("leave_out: [1]\n")
    _, left_out, _ = compared(kept, "store")

    assert [line.partition(":")[0] for line in forgotten] == [
        "the partition tables, and names of file systems",
        "boot gaps, and partitions that are copied as they are",
    ]
    assert NOTHING not in text
    assert "not compared: boot gaps" in text
    assert left_out == ["the bytes of partition 1: left out: as `leave_out` says"]
