"""Which areas an eMMC has, on trees of files made as the kernel makes them.

Sources: Linux drivers/mmc/core/mmc.c (names), block.c (ro_lock_until_next_power_on);
Documentation/driver-api/mmc/mmc-dev-parts.rst; Documentation/ABI/stable/sysfs-block (size, in
sectors of 512 bytes whatever the disk's are).
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from holdstill.disks import emmc_areas
from holdstill.model import emmc_boot
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


def test_a_node_that_has_the_name_of_another_disk_has_none_of_its_areas(tmp_path: Path) -> None:
    for name in ("null", "nullboot0"):
        device(tmp_path, name)
    null = Path("/dev/null")
    about = null.stat().st_rdev

    assert emmc_areas.find(null, sys=tmp_path) == ()
    own = f"{os.major(about)}:{os.minor(about)}\n"
    (tmp_path / "class/block/null/dev").write_text(own)
    assert [area.area for area in emmc_areas.find(null, sys=tmp_path)] == ["boot0"]


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


def ext_csd(config: int) -> str:
    """An EXT_CSD as debugfs shows it: 512 bytes in hexadecimal (drivers/mmc/core/debugfs.c)."""
    return (bytes(179) + bytes([config]) + bytes(332)).hex() + "\n"


def emmc(sys: Path, shown: str) -> None:
    device(sys, "mmcblk1")
    (sys / "devices/mmc1:0001").mkdir(parents=True)
    (sys / "class/block/mmcblk1/device").symlink_to(sys / "devices/mmc1:0001")
    (sys / "kernel/debug/mmc1/mmc1:0001").mkdir(parents=True)
    (sys / "kernel/debug/mmc1/mmc1:0001/ext_csd").write_text(shown)


def test_which_area_is_booted_is_read_where_debugfs_shows_it(tmp_path: Path) -> None:
    emmc(tmp_path, ext_csd(0x48 | 2))  # and boot1 is accessed just now
    device(tmp_path, "mmcblk0")

    assert emmc_areas.boot_config(Path("/dev/mmcblk1"), sys=tmp_path) == 0x48
    assert emmc_areas.boot_config(Path("/dev/mmcblk0"), sys=tmp_path) is None
    assert emmc_areas.boot_config(Path("/dev/loop1"), sys=tmp_path) is None


@pytest.mark.parametrize("shown", ["", "48" * 511, "48" * 513, "no digits", "4" * 1023])
def test_what_is_no_ext_csd_tells_nothing(tmp_path: Path, shown: str) -> None:
    emmc(tmp_path, shown)

    assert emmc_areas.boot_config(Path("/dev/mmcblk1"), sys=tmp_path) is None


@pytest.mark.parametrize(
    ("config", "area"),
    [(0x08, "boot0"), (0x4A, "boot0"), (0x50, "boot1"), (0x78, emmc_boot.SECTORS), (0x00, ""),
     (0x18, ""), (None, "")],
)  # fmt: skip
def test_three_bits_name_the_area(config: int | None, area: str) -> None:
    assert emmc_boot.booted(config) == area
