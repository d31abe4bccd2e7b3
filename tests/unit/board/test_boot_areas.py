"""Which of an eMMC's own areas a capture holds, and what is said of the others."""

from __future__ import annotations

from pathlib import Path

import pytest

from holdstill.board import boot_areas
from holdstill.board.layout import BoardDisk, BoardLayout
from holdstill.model import store_address
from holdstill.model.layout import Disk, TableLabel
from holdstill.model.settings import BoardSettings
from holdstill.model.sizes import MIB, ByteSize

SIZES = {"mmcblk0boot0": 4 * MIB, "mmcblk0gp0": 64 * MIB, "mmcblk1boot1": 8 * MIB}


@pytest.fixture
def sys(tmp_path: Path) -> Path:
    for number, (name, size) in enumerate(SIZES.items()):
        home = tmp_path / "class/block" / name
        home.mkdir(parents=True)
        (home / "dev").write_text(f"179:{number}\n")
        (home / "size").write_text(f"{size // 512}\n")
    return tmp_path


def board(*devices: str) -> BoardLayout:
    disks = (Disk(size=1 << 30, label=TableLabel.DOS, id="0x1", device=one) for one in devices)
    return BoardLayout(tuple(BoardDisk(Path(disk.device), disk) for disk in disks), ())


def found(
    layout: BoardLayout, sys: Path, *, limit: int = 64 * MIB, leave_out: tuple[int | str, ...] = ()
) -> dict[str, str]:
    settings = BoardSettings(
        board="pier-3",
        keeper=store_address.parse("/srv/store"),
        raw_limit=ByteSize(limit),
        leave_out=leave_out,
    )
    areas = boot_areas.find(layout, settings, sys=sys, dev=sys)
    return {area.name: area.obstacle for area in areas}


def test_areas_are_named_after_the_place_of_their_disk(sys: Path) -> None:
    both = board("/dev/mmcblk1", "/dev/mmcblk0")

    assert found(both, sys) == {"boot1.bin": "", "boot0-2.bin": "", "gp0-2.bin": ""}


def test_one_that_is_captured_as_a_disk_of_its_own_is_none(sys: Path) -> None:
    layout = board("/dev/mmcblk0", f"{sys}/mmcblk0gp0")

    assert found(layout, sys) == {"boot0.bin": ""}


def test_the_limit_of_what_is_copied_is_one_for_each(sys: Path) -> None:
    obstacles = found(board("/dev/mmcblk0"), sys, limit=64 * MIB - 1)

    assert obstacles["boot0.bin"] == ""
    assert "it has 64.0 MiB, and `raw_limit`" in obstacles["gp0.bin"]


@pytest.mark.parametrize("word", ["{}/mmcblk0boot0", "{}/*boot?"])
def test_the_owner_leaves_one_out_by_its_device_or_a_pattern(sys: Path, word: str) -> None:
    obstacles = found(board("/dev/mmcblk0"), sys, leave_out=(2, word.format(sys)))

    assert obstacles == {"boot0.bin": "it is left out, as `leave_out` says", "gp0.bin": ""}
