"""What is read of /sys and of an eMMC's areas, on trees of files made as the kernel makes them.

Sources: Linux Documentation/ABI/testing/sysfs-block, sysfs-block-dm; drivers/mmc/core/mmc.c.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import block_devices, mount_device, mounts, read_board_facts
from holdstill.board.board_facts import BlockDevice, LoopFile, UncapturedArea
from holdstill.board.boot_areas import BoardArea
from holdstill.disks.emmc_areas import EmmcArea

if TYPE_CHECKING:
    from holdstill.board.board_facts import Doubt

ROOT = mounts.parse_mountinfo(b"30 1 8:2 / / rw - ext4 /dev/sda2 rw\n")


def tree(top: Path, files: dict[str, str]) -> Path:
    """Make a /sys with these files in devices/, and its links in class/block."""
    (top / "class/block").mkdir(parents=True)
    for name, text in files.items():
        path = top / "devices" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
        if path.name == "dev":
            (top / "class/block" / path.parent.name).symlink_to(path.parent)
    return top


def test_devices_are_described_as_the_kernel_does(tmp_path: Path) -> None:
    sys = tree(
        tmp_path,
        {
            "sda/dev": "8:0\n", "sda/removable": "1\n",
            "sda/sda2/dev": "8:2\n", "sda/sda2/partition": "2\n",
            "dm-0/dev": "254:0\n", "dm-0/dm/uuid": "CRYPT-LUKS2-0b54-safe\n",
            "dm-0/slaves/sda2": "",
            "loop0/dev": "7:0\n", "loop0/loop/backing_file": "/srv/x.img\n",
            "loop1/dev": "7:1\n", "loop1/loop/backing_file": "/srv/x.img (deleted)\n",
            "md0/dev": "9:0\n", "md0/md/level": "raid1\n",
            "md0/md/metadata_version": "1.2\n",
            "md1/dev": "9:1\n", "md1/md/level": "raid1\n",
            "md1/md/metadata_version": "external:imsm\n",
            "md2/dev": "9:2\n", "md2/md/level": "raid0\n",
            "md2/md/metadata_version": "1.2\n",
            "cciss!c0d0/dev": "104:0\n",
        },
    )  # fmt: skip

    found = block_devices.read_block_devices(ROOT, sys=sys, dev=tmp_path)
    file = LoopFile("/srv/x.img", (8, 2))

    assert set(found) == {
        BlockDevice("sda", (8, 0), "sda", is_removable=True),
        BlockDevice("sda2", (8, 2), "sda", is_removable=True),
        BlockDevice("dm-0", (254, 0), "dm-0", below=("sda2",), mapping="LUKS"),
        BlockDevice("loop0", (7, 0), "loop0", file=file),
        BlockDevice(
            "loop1", (7, 1), "loop1", file=LoopFile("/srv/x.img", (8, 2), is_deleted=True)
        ),
        BlockDevice("md0", (9, 0), "md0", mapping="mirror"),
        BlockDevice("md1", (9, 1), "md1", mapping="md"),
        BlockDevice("md2", (9, 2), "md2", mapping="md"),
        BlockDevice("cciss/c0d0", (104, 0), "cciss/c0d0"),
    }


def area(folder: Path, name: str, obstacle: str = "it is in use") -> BoardArea:
    return BoardArea(1, EmmcArea(name, folder / f"mmcblk0{name}", (179, 8), 512, folder), obstacle)


def test_areas_of_an_emmc_that_are_not_captured_and_hold_something(tmp_path: Path) -> None:
    contents = {
        "boot0": bytes(5 << 20) + b"loader",
        "boot1": b"\xff" * (4 << 20),
        "gp0": bytes(512),
    }
    for name, data in contents.items():
        (tmp_path / f"mmcblk0{name}").write_bytes(data)
    doubts: list[Doubt] = []

    used = list(
        read_board_facts.used_areas([area(tmp_path, name) for name in (*contents, "gp1")], doubts)
    )

    assert used == [UncapturedArea(str(tmp_path / "mmcblk0boot0"), "it is in use")]
    assert [doubt.what for doubt in doubts] == [str(tmp_path / "mmcblk0gp1")]


def test_the_source_of_a_mount_that_is_no_device_is_not_looked_at(tmp_path: Path) -> None:
    # A network's or a program's source may be any path; looking at it could wait for ever. The
    # link leads to a block device, so that a look would show.
    source = tmp_path / "source"
    device = next(node for node in sorted(map(str, Path("/dev").glob("loop[0-9]*"))))
    source.symlink_to(device)
    text = f"30 1 0:50 / / rw - fuse.x {source} rw\n31 1 0:51 / / rw - btrfs {device} rw\n"

    plain, btrfs = mounts.parse_mountinfo(text.encode())

    assert mount_device.number(plain) == (0, 50)
    assert mount_device.number(btrfs) != (0, 51)
