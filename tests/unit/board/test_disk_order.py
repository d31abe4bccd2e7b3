"""Which disks a board needs: by where they are mounted, whatever the kernel calls them today."""

from __future__ import annotations

from dataclasses import replace

import pytest

from holdstill.board import disk_order
from holdstill.board.board_facts import BlockDevice, LoopFile
from holdstill.board.disk_order import PlacedDevice, is_of_the_system

CARD = (
    BlockDevice("mmcblk0", (179, 0), "mmcblk0"),
    BlockDevice("mmcblk0p1", (179, 1), "mmcblk0"),
    BlockDevice("mmcblk0p2", (179, 2), "mmcblk0"),
)
USB = (
    BlockDevice("sda", (8, 0), "sda"),
    BlockDevice("sda1", (8, 1), "sda"),
    BlockDevice("sda2", (8, 2), "sda"),
)
NVME = (
    BlockDevice("nvme0n1", (259, 0), "nvme0n1"),
    BlockDevice("nvme0n1p1", (259, 1), "nvme0n1"),
)
ALL = (*CARD, *USB, *NVME)


def at(place: str, *number: int, is_named: bool = False) -> PlacedDevice:
    major, minor = number
    return PlacedDevice((major, minor), place, is_named)


def order(
    own: str,
    placed: list[PlacedDevice],
    devices: tuple[BlockDevice, ...],
    *,
    seen: set[tuple[int, int]] | None = None,
) -> tuple[str, ...]:
    return disk_order.order(own, placed, devices, seen=seen)


def test_boot_on_a_card_and_root_on_a_usb_disk() -> None:
    placed = [at("/", 8, 1), at("/boot/firmware", 179, 1)]

    assert order("sda", placed, ALL) == ("mmcblk0", "sda")
    # Not mounted just now: fstab tells of it.
    assert order("sda", [at("/", 8, 1), at("/boot", 179, 1, is_named=True)], ALL) == (
        "mmcblk0",
        "sda",
    )


def test_one_card_is_one_disk() -> None:
    assert order("mmcblk0", [at("/", 179, 2), at("/boot/firmware", 179, 1)], ALL) == ("mmcblk0",)


@pytest.mark.parametrize("place", ["/var", "/var/lib/docker", "/home", "/srv", "/usr", "/opt/x"])
def test_what_the_system_is_on_is_needed_and_comes_after_the_root(place: str) -> None:
    placed = [at("/", 179, 2), at(place, 8, 1)]

    assert order("mmcblk0", placed, ALL) == ("mmcblk0", "sda")


@pytest.mark.parametrize("place", ["/mnt", "/mnt/data", "/media/x", "/data", "/run/x", "/srvx"])
def test_data_of_the_owner_is_not(place: str) -> None:
    placed = [at("/", 179, 2), at(place, 8, 1, is_named=True)]

    assert order("mmcblk0", placed, ALL) == ("mmcblk0",)
    assert not is_of_the_system(place)


def test_the_order_does_not_hang_on_the_names_of_devices() -> None:
    placed = [at("/", 179, 2), at("/var", 8, 1), at("/home", 259, 1)]
    swapped = [at("/", 179, 2), at("/var", 259, 1), at("/home", 8, 1)]

    assert order("mmcblk0", placed, ALL) == ("mmcblk0", "nvme0n1", "sda")
    assert order("mmcblk0", swapped, ALL) == ("mmcblk0", "sda", "nvme0n1")
    assert order("mmcblk0", placed[::-1], ALL[::-1]) == ("mmcblk0", "nvme0n1", "sda")


def test_a_removable_stick_is_needed_only_for_booting_or_by_fstab() -> None:
    devices = (*CARD, *(replace(device, is_removable=True) for device in USB))

    assert order("mmcblk0", [at("/srv", 8, 1)], devices) == ("mmcblk0",)
    assert order("mmcblk0", [at("/srv", 8, 1, is_named=True)], devices) == ("mmcblk0", "sda")
    assert order("mmcblk0", [at("/srv", 8, 1), at("/x", 8, 1, is_named=True)], devices) == (
        "mmcblk0",
        "sda",
    )
    assert order("mmcblk0", [at("/boot", 8, 1)], devices) == ("sda", "mmcblk0")


@pytest.mark.parametrize("kind", ["CRYPT", "mpath", "md"])
def test_what_mappings_are_made_of_is_no_disk_of_its_own(kind: str) -> None:
    top = BlockDevice("dm-0", (254, 0), "dm-0", below=("sda2",), mapping=kind)
    placed = [at("/", 254, 0), at("/boot", 8, 1)]

    assert order("dm-0", placed, (*USB, top)) == ("dm-0",)
    # A mapping of data on another disk is none either.
    assert order("mmcblk0", [at("/", 179, 2), at("/var", 254, 0)], (*ALL, top)) == ("mmcblk0",)


@pytest.mark.parametrize("kind", ["LUKS", "LVM", "mirror"])
def test_the_disks_of_volumes_are_needed_as_those_of_their_partitions(kind: str) -> None:
    inner = BlockDevice("dm-0", (254, 0), "dm-0", below=("sda2",), mapping=kind)
    outer = BlockDevice("dm-1", (254, 1), "dm-1", below=("dm-0",), mapping="LVM")
    placed = [at("/", 254, 1), at("/boot", 8, 1)]

    assert order("sda", placed, (*USB, inner, outer)) == ("sda",)
    assert order("mmcblk0", [at("/", 179, 2), at("/var", 254, 1)], (*ALL, inner, outer)) == (
        "mmcblk0",
        "sda",
    )


def test_both_disks_of_a_mirror_are_needed() -> None:
    below = ("mmcblk0p2", "sda2")
    mirror = BlockDevice("md0", (9, 0), "md0", below=below, mapping="mirror")
    placed = [at("/", 9, 0), at("/boot", 179, 1)]

    assert order("mmcblk0", placed, (*ALL, mirror)) == ("mmcblk0", "sda")
    assert order("mmcblk0", [at("/", 179, 2), at("/mnt", 9, 0)], (*ALL, mirror)) == ("mmcblk0",)


def test_memory_and_networks_are_no_disks() -> None:
    memory = BlockDevice("zram0", (252, 0), "zram0")
    network = BlockDevice("nbd0", (43, 0), "nbd0")
    placed = [at("/", 179, 2), at("/var/b", 252, 0), at("/var/c", 43, 0)]

    assert order("mmcblk0", placed, (*CARD, memory, network)) == ("mmcblk0",)
    assert order("mmcblk0", [at("/var", 99, 1)], CARD) == ("mmcblk0",)


def loop(
    number: int, on: tuple[int, int] | None = (179, 2), *, deleted: bool = False
) -> BlockDevice:
    name, file = f"loop{number}", LoopFile(f"/srv/{number}.img", on, deleted)
    return BlockDevice(name, (7, number), name, file=file)


def test_what_is_in_a_file_is_on_the_disk_of_the_file() -> None:
    placed = [at("/", 179, 2), at("/var/a", 7, 0), at("/mnt/usb", 8, 1)]
    seen = {one.number for one in placed}

    assert order("mmcblk0", placed, (*CARD, loop(0)), seen=seen) == ("mmcblk0",)
    # On a disk that is the owner's own otherwise, also through a second file.
    deep = loop(0, (7, 1)), loop(1, (8, 1))
    for devices in ((loop(0, (8, 1)),), deep):
        everything = (*CARD, *USB, *devices)
        assert order("mmcblk0", placed, everything, seen=None) == ("mmcblk0", "sda")
    # In a circle, which no kernel makes: it ends.
    circle = (*CARD, loop(0, (7, 1)), loop(1, (7, 0)))
    assert order("mmcblk0", placed, circle, seen=None) == ("mmcblk0",)


def test_files_that_are_gone_or_on_no_device_are_no_disks() -> None:
    placed = [at("/", 179, 2), at("/var/a", 7, 0)]

    for file in (loop(0, deleted=True), loop(0, None), loop(0, (0, 44))):
        assert order("mmcblk0", placed, (*CARD, file), seen=None) == ("mmcblk0",)


def test_a_file_that_the_board_does_not_see_is_a_card_image_on_a_work_bench() -> None:
    placed = [at("/", 179, 2), at("/var/a", 7, 0)]
    devices = (*CARD, *USB, loop(0, (8, 1)))

    assert order("mmcblk0", placed, devices, seen={(179, 2), (7, 0)}) == ("mmcblk0", "loop0")
