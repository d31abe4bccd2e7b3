"""Consoles that were recorded from emulated boards, spoiled one link at a time.

tests/support/vm/spoil.py spoils them and records the consoles.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from holdstill.rehearse import console_markers
from holdstill.rehearse.console_markers import BootStage

RECORDED = Path(__file__).parents[2] / "data/console"


def recorded(name: str) -> str:
    return console_markers.plain((RECORDED / f"{name}.log").read_bytes())


@pytest.mark.parametrize("name", ["good", "sd-good"])
def test_a_good_boot_is_alive_and_has_not_stopped(name: str) -> None:
    text = recorded(name)

    assert console_markers.is_alive(text)
    assert not console_markers.is_stopped(text)
    assert console_markers.reached(text) is BootStage.LOGIN
    assert console_markers.failed_units(text) == ()


@pytest.mark.parametrize(
    ("name", "link", "words"),
    [
        ("no-entry", BootStage.KERNEL, "Reboot Into Firmware Interface"),
        ("no-kernel", BootStage.KERNEL, "Reboot Into Firmware Interface"),
        ("no-initramfs", BootStage.INITRAMFS, "Error preparing initrd: Not Found"),
        ("torn-initramfs", BootStage.INITRAMFS, "Initramfs unpacking failed"),
        (
            "initramfs-not-named",
            BootStage.INITRAMFS,
            "Waiting for root device PARTUUID=b0a2d001-02",
        ),
        ("wrong-root", BootStage.ROOT, "PARTUUID=dead0000-02 does not exist"),
        ("no-root", BootStage.ROOT, "Failed to mount /dev/vda2 as root file system."),
        ("root-not-waited-for", BootStage.ROOT, "VFS: Unable to mount root fs"),
        ("no-init", BootStage.INIT, "No init found."),
        ("init-that-ends", BootStage.INIT, "Attempted to kill init!"),
        ("wrong-fstab", BootStage.SERVICES, "Timed out waiting for device"),
        ("sd-no-active-partition", BootStage.LOADER, "Missing operating system"),
        ("sd-no-boot-sector", BootStage.LOADER, "Booting from Hard Disk"),
        ("sd-no-settings", BootStage.LOADER, "No configuration file found"),
        # Cards with nothing but one loader: Debian 12's grubx64.efi without settings, systemd-boot
        # with an entry titled "Tide gauge 24.5" whose kernel is zeroes, and a SYSLINUX boot sector
        # whose ldlinux.sys lies behind the end of the disk.
        ("grub-no-settings", BootStage.KERNEL, "grub>"),
        ("no-kernel-image", BootStage.KERNEL, "Error loading \\vmlinuz: Unsupported"),
        ("sd-unreadable-loader", BootStage.LOADER, "Boot error"),
        ("sd-no-kernel", BootStage.KERNEL, "Loading /vmlinuz... failed: No such file"),
        ("u-boot-no-kernel", BootStage.KERNEL, "Skipping board for failure retrieving kernel"),
        ("u-boot-no-image", BootStage.KERNEL, "Bad Linux ARM64 Image magic!"),
        (
            "u-boot-no-initramfs",
            BootStage.INITRAMFS,
            "Skipping board for failure retrieving initrd",
        ),
    ],
)
def test_the_link_that_broke_is_named(name: str, link: BootStage, words: str) -> None:
    text = recorded(name)

    finding = console_markers.broken(text)

    assert not console_markers.is_alive(text)
    assert finding.link is link
    assert words in finding.words


@pytest.mark.parametrize(
    "name",
    [
        *("no-initramfs", "wrong-root", "no-root", "no-init", "wrong-fstab", "sd-no-kernel"),
        *("u-boot-no-kernel", "u-boot-no-initramfs"),
    ],
)
def test_a_boot_that_stopped_for_good_needs_no_waiting(name: str) -> None:
    assert console_markers.is_stopped(recorded(name))


# GRUB grub-core/kern/main.c and Debian's /etc/issue and systemd's greeting: who welcomes matters.
@pytest.mark.parametrize(
    ("line", "link"),
    [
        ("Welcome to GRUB!", BootStage.LOADER),
        ("  Welcome to GRUB!", BootStage.LOADER),
        ("Welcome to Debian GNU/Linux 12 (bookworm)!", BootStage.INIT),
    ],
)
def test_a_loader_that_welcomes_is_no_init(line: str, link: BootStage) -> None:
    assert console_markers.reached(line) is link


def test_a_boot_that_stops_in_grub_got_as_far_as_the_loader() -> None:
    assert console_markers.reached(recorded("grub-no-settings")) is BootStage.LOADER


# systemd src/boot/efi/boot.c, image_start: "Failed to execute %ls (%ls): %r", title and loader;
# "Error loading %ls: %r" up to version 253, "Error loading EFI binary %ls: %m" and
# "Error loading remote UKI %ls: %m" later.
@pytest.mark.parametrize(
    "line",
    [
        "Failed to execute Linux (\\vmlinuz): Load Error",
        "Failed to execute Tide gauge 24.5 (\\vmlinuz): Load Error",
        "Error loading \\vmlinuz: Unsupported",
        "Error loading EFI binary \\vmlinuz: Unsupported",
        "Error loading remote UKI http://boathouse/tide.efi: Time out",
    ],
)
def test_an_entry_that_cannot_be_started_stops_the_boot_at_the_kernel(line: str) -> None:
    assert console_markers.is_stopped(line)
    assert console_markers.broken(line).link is BootStage.KERNEL


# SeaBIOS src/boot.c, printf of boot_fail and of the first sector's read.
@pytest.mark.parametrize(
    "line",
    [
        "Boot failed: could not read the boot disk",
        "Boot failed: not a bootable disk",
        "No bootable device.",
    ],
)
def test_old_firmware_that_finds_nothing_to_start_stops_at_the_loader(line: str) -> None:
    assert console_markers.is_stopped(line)
    assert console_markers.broken(line).link is BootStage.LOADER


# dosfstools src/mkfs.fat.c, dummy boot code; syslinux core/diskboot.inc, the boot sector's own.
@pytest.mark.parametrize(
    "line",
    [
        "This is not a bootable disk.  Please insert a bootable floppy and",
        "Boot error",
    ],
)
def test_a_boot_sector_that_gives_up_stops_at_the_loader(line: str) -> None:
    console = f"Booting from Hard Disk...\n{line}\n"

    assert console_markers.is_stopped(console)
    assert console_markers.broken(console).words == line
    assert "is damaged or not installed" in console_markers.broken(console).means


def test_a_finding_is_told_with_the_words_of_the_console() -> None:
    finding = console_markers.ConsoleFinding(
        BootStage.ROOT, "it is not on the card", "ALERT!  /dev/x does not exist."
    )

    assert str(finding) == (
        "the root file system: it is not on the card; "
        "the console says: ALERT!  /dev/x does not exist."
    )


def test_a_silent_console_means_that_nothing_started() -> None:
    assert console_markers.broken("").link is BootStage.FIRMWARE


def test_another_sign_of_life_can_be_asked_for() -> None:
    text = console_markers.plain(b"[   12.0] gauge ready\r\npier-3 login: ")

    assert console_markers.is_alive(text, r"gauge ready")
    assert not console_markers.is_alive(text, r"gauge calibrated")


def test_colours_and_cursor_movements_are_no_part_of_the_text() -> None:
    moved = b"\x1b[2J\x1b[01;01HBds\x1b[0mDxe\r\n"
    cut_short = b"[\x1b[0;1;31mFAILED\x1b[0m] Failed: \x1b[0;1;\xe2\x80\xa6x"

    assert console_markers.plain(moved + cut_short) == "BdsDxe\n[FAILED] Failed: \u2026x"


def test_failed_units_are_named_once() -> None:
    text = "[FAILED] Failed to start a.service\n[  OK  ] b\n[FAILED] Failed to start a.service"

    assert console_markers.failed_units(text) == ("Failed to start a.service",)


def test_a_loader_that_ends_leaves_the_chain_at_the_kernel() -> None:
    text = 'BdsDxe: starting Boot0001 "UEFI Misc Device"\nsomething new'

    finding = console_markers.broken(text)

    assert (finding.link, finding.words) == (BootStage.KERNEL, "something new")
