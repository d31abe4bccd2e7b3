"""Which areas an eMMC has, on trees of files made as the kernel makes them.

Sources: Linux drivers/mmc/core/mmc.c (names), block.c (ro_lock_until_next_power_on);
Documentation/driver-api/mmc/mmc-dev-parts.rst; Documentation/ABI/stable/sysfs-block (size, in
sectors of 512 bytes whatever the disk's are).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from holdstill.disks import emmc_areas
from holdstill.model.attachment_names import EMMC_AREAS, area_name, area_of


def device(sys: Path, name: str, *, lock: str = "") -> None:
    home = sys / "class/block" / name
    home.mkdir(parents=True)
    (home / "dev").write_text(f"179:{len(list(home.parent.iterdir()))}\n")
    (home / "size").write_text("8192\n")
    if lock:
        (home / "ro_lock_until_next_power_on").write_text(f"{lock}\n")


def test_the_areas_of_a_disk_are_found_and_those_of_another_are_not(tmp_path: Path) -> None:
    names = ("mmcblk1", "mmcblk1p1", "mmcblk1boot0", "mmcblk1boot1", "mmcblk1gp0", "mmcblk1gp0p1")
    for name in (*names, "mmcblk10boot0"):
        device(tmp_path, name)

    found = emmc_areas.find(Path("/dev/mmcblk1"), sys=tmp_path)

    assert [(area.area, area.device, area.size) for area in found] == [
        ("boot0", Path("/dev/mmcblk1boot0"), 4 << 20),
        ("boot1", Path("/dev/mmcblk1boot1"), 4 << 20),
        ("gp0", Path("/dev/mmcblk1gp0"), 4 << 20),
    ]
    assert [area.number for area in found] == [(179, 3), (179, 4), (179, 5)]
    assert emmc_areas.find(Path("/dev/mmcblk0"), sys=tmp_path) == ()


@pytest.mark.parametrize(("lock", "is_locked"), [("", False), ("0", False), ("1", True),
                                                 ("2", True)])  # fmt: skip
def test_an_area_that_the_emmc_locks_is_known(tmp_path: Path, lock: str, is_locked: bool) -> None:  # noqa: FBT001
    device(tmp_path, "mmcblk1boot0", lock=lock)

    (area,) = emmc_areas.find(Path("/dev/mmcblk1"), sys=tmp_path)

    assert area.is_locked is is_locked


def test_protected_memory_is_seen_by_its_node(tmp_path: Path) -> None:
    (tmp_path / "mmcblk1rpmb").touch()

    assert emmc_areas.has_protected_memory(Path("/dev/mmcblk1"), dev=tmp_path)
    assert not emmc_areas.has_protected_memory(Path("/dev/mmcblk0"), dev=tmp_path)


@pytest.mark.parametrize("place", [1, 2])
def test_a_name_in_a_manifest_tells_the_area(place: int) -> None:
    names = [area_name(area, place) for area in EMMC_AREAS]

    assert [area_of(name) for name in names] == list(EMMC_AREAS)
    assert area_of("gap.bin") == area_of("raw-2.bin") == area_of("boot2.bin") == ""
