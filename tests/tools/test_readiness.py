"""Whether it is a good moment: real locks, recorded words of firmware and kernel."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import readiness
from holdstill.errors import CommandError

if TYPE_CHECKING:
    from holdstill.system.process import Command

HOLD = """
import fcntl, sys
with open(sys.argv[1], "w") as file:
    fcntl.lockf(file, fcntl.LOCK_EX)  # as dpkg and apt do: fcntl(2), F_SETLK
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_package_managers_lock_is_seen_and_not_taken(tmp_path: Path) -> None:
    locks = [tmp_path / "not there", tmp_path / "lock-frontend", tmp_path / "lock"]
    for path in locks[1:]:
        path.touch()

    before = readiness.package_manager(locks)
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, locks[2]], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        during = readiness.package_manager(locks)
        holder.communicate()
    after = readiness.package_manager(locks)

    words = f"a package manager is at work (process {holder.pid} holds {locks[2]})"
    assert (before, during, after) == ("", words, "")


@pytest.mark.parametrize(
    ("answer", "bits"),
    [
        # Bits: Raspberry Pi documentation, vcgencmd, get_throttled.
        (b"throttled=0x0\n", 0),
        (b"throttled=0x50005\n", 0x50005),
        (b"throttled=0xE0000\n", 0xE0000),
        (b"VCHI initialization failed\n", 0),
        (b"", 0),
    ],
)
def test_the_firmwares_answer_about_power(answer: bytes, bits: int) -> None:
    assert readiness.parse_throttled(answer) == bits


def test_a_board_without_such_firmware_has_no_complaint() -> None:
    class NoFirmware:
        def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
            assert command.argv == ("vcgencmd", "get_throttled")
            raise CommandError(str(command), 127, b"no such program")

    assert readiness.power(NoFirmware()) == 0
    assert readiness.power_remarks(0) == ()


def test_what_happened_since_boot_is_remarked() -> None:
    assert len(readiness.power_remarks(0x50000)) == 2
    assert readiness.power_remarks(0x20002) == ()


KERNEL = [
    # Format: Linux Documentation/ABI/testing/dev-kmsg. Messages: drivers/mmc/core/block.c,
    # block/blk-mq.c, fs/buffer.c and fs/ext4/super.c of Linux 6.12; the second one of
    # drivers/mmc/card/block.c of 4.9 and before.
    b"6,1,100,-;mmcblk0: mmc0:aaaa SC32G 29.7 GiB\n",
    b"3,2,2000000,-;mmcblk0: error -110 sending status command, retrying\n SUBSYSTEM=block\n",
    b"3,3,3000000,-;I/O error, dev mmcblk0, sector 81920 op 0x0:(READ) flags 0x80700\n",
    b"3,4,3000001,c;Buffer I/O error on dev mmcblk0p2, logical block 9216, async page read\n",
    b"2,5,4000000,-;EXT4-fs error (device mmcblk0p2): ext4_find_entry:1455: inode #2: comm ls\n",
    b"3,6,4000001,-;I/O error, dev sda, sector 1 op 0x0:(READ) flags 0x0\n",
    b"3,7,5000000,-;mmcblk0: error -110 sending status command, retrying\n",
    b"no record at all",
]


def test_the_kernels_complaints_about_the_card_are_found_each_once() -> None:
    found = readiness.parse_kernel_log(KERNEL, since=0.0)

    assert [line.split(":")[0].split(",")[0] for line in found] == [
        "mmcblk0",
        "I/O error",
        "Buffer I/O error on dev mmcblk0p2",
        "EXT4-fs error (device mmcblk0p2)",
    ]


def test_only_what_is_new_counts() -> None:
    assert len(readiness.parse_kernel_log(KERNEL, since=3.5)) == 2
    assert readiness.parse_kernel_log(KERNEL, since=6.0) == ()


# Linux 6.12.117 and the strings of mmc_core.ko and mmc_block.ko of 6.1.192: drivers/mmc/core
# block.c, mmc_ops.c, mmc.c, sd.c, core.c, bus.c; for the first words of the block layer's message
# block/blk-core.c, blk_errors. Btrfs' critical one from memory of fs/btrfs/messages.c; its errors
# are heard in tests/root/test_kernel_log.py.
@pytest.mark.parametrize(
    "record",
    [
        b"3,1,0,-;mmcblk0: recovery failed!\n",
        b"3,1,0,-;mmc0: Card stuck being busy! __mmc_poll_for_busy\n",
        b"3,1,0,-;mmc0: cache flush error -110\n",
        b"3,1,0,-;mmc0: error -110 whilst initialising SD card\n",
        b"3,1,0,-;mmc0: error -84 whilst initialising MMC card\n",
        b"4,1,0,-;mmc0: tried to HW reset card, got error -110\n",
        b"6,1,0,-;mmc0: card aaaa removed\n",
        b"3,1,0,-;critical medium error, dev mmcblk0, sector 8 op 0x0:(READ) flags 0x0\n",
        b"3,1,0,-;timeout error, dev mmcblk0, sector 8 op 0x1:(WRITE) flags 0x0\n",
        b"3,1,0,-;device offline error, dev mmcblk0, sector 8 op 0x1:(WRITE) flags 0x0\n",
        b"3,1,0,-;BTRFS error (device mmcblk0p2): bdev /dev/mmcblk0p2 errs: wr 0, rd 1\n",
        b"2,1,0,-;BTRFS critical (device mmcblk0p2: state EA): corrupt leaf\n",
        b"3,1,0,-;F2FS-fs (mmcblk0p2): inconsistent node block\n",
        b"1,1,0,-;XFS (mmcblk0p2): Metadata I/O Error (0x1) detected\n",
        b"3,1,0,-;FAT-fs (mmcblk0p1): error, fat_get_cluster: invalid cluster chain\n",
    ],
)
def test_what_todays_kernels_say_of_a_dying_card_is_found(record: bytes) -> None:
    assert len(readiness.parse_kernel_log([record], 0.0, frozenset({"mmc0"}))) == 1


@pytest.mark.parametrize(
    "record",
    [
        # Another host, such as that of a radio.
        b"3,1,0,-;mmc1: cache flush error -110\n",
        b"3,1,0,-;mmc0: error -110 whilst initialising SDIO card\n",
        b"5,1,0,-;F2FS-fs (mmcblk0p2): Mounted with checkpoint version = 1a2b3c4d\n",
        b"5,1,0,-;XFS (mmcblk0p2): Mounting V5 Filesystem\n",
        b"6,1,0,-;XFS (mmcblk0p2): Ending clean mount\n",
        b"6,1,0,-;BTRFS info (device mmcblk0p2): first mount of filesystem\n",
        b"4,1,0,-;FAT-fs (mmcblk0p1): Volume was not properly unmounted.\n",
        b"6,1,0,-;mmc0: new high speed SDHC card at address aaaa\n",
    ],
)
def test_what_is_no_trouble_of_the_card_is_left_out(record: bytes) -> None:
    assert readiness.parse_kernel_log([record], 0.0, frozenset({"mmc0"})) == ()


# Linux drivers/mmc/core/bus.c, mmc_add_card: a card's device is named after its host and its
# address.
def test_the_host_of_a_card_is_in_the_name_of_its_device(tmp_path: Path) -> None:
    card = tmp_path / "devices/mmc_host/mmc1/mmc1:aaaa/block/mmcblk0"
    card.mkdir(parents=True)
    (card / "device").symlink_to(card.parents[1])
    (card.with_name("mmcblk0boot0")).mkdir()
    (tmp_path / "block").mkdir()
    for disk in card.parent.iterdir():
        (tmp_path / "block" / disk.name).symlink_to(disk)
    (tmp_path / "block/sda").mkdir()

    assert readiness.hosts_of_cards(tmp_path / "block") == {"mmcblk0": "mmc1"}
    assert readiness.hosts_of_cards(tmp_path / "none") == {}


def test_a_log_that_cannot_be_read_tells_nothing() -> None:
    assert readiness.card_errors(0.0, log=Path("/nonexistent")) == ()
