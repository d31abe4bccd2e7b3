"""What a Pi-type board's firmware would start.

Source of the settings' meaning: Raspberry Pi documentation, "config.txt".
"""

from __future__ import annotations

from holdstill.rehearse import pi_firmware


def test_an_empty_config_starts_the_default_kernel() -> None:
    start = pi_firmware.parse_config("")

    assert start == pi_firmware.Start(
        kernel="kernel8.img",
        device_trees=("bcm2710-rpi-3-b.dtb", "bcm2837-rpi-3-b.dtb"),
        initramfs="",
        command_line="cmdline.txt",
    )


def test_a_config_names_kernel_initramfs_and_device_tree() -> None:
    text = (
        "# a comment\n"
        "arm_64bit=1\n"
        "kernel=vmlinuz  # another\n"
        "initramfs initrd.img followkernel\n"
        "device_tree=bcm2837-rpi-3-b.dtb\r\n"
        "cmdline=words.txt\n"
    )

    start = pi_firmware.parse_config(text)

    assert start == pi_firmware.Start(
        "vmlinuz", ("bcm2837-rpi-3-b.dtb",), "initrd.img", "words.txt"
    )


def test_settings_for_other_boards_are_passed_over() -> None:
    text = "kernel=one\n[pi4]\nkernel=four\n[pi3]\nkernel=three\n[pi0]\ncmdline=zero.txt\n[all]\n"

    start = pi_firmware.parse_config(text)

    assert (start.kernel, start.command_line) == ("three", "cmdline.txt")


def test_the_initramfs_follows_the_kernel_where_that_is_asked_for() -> None:
    start = pi_firmware.parse_config("auto_initramfs=1\n")

    assert start.initramfs == "initramfs8"


def test_a_prefix_counts_for_everything_that_is_loaded() -> None:
    start = pi_firmware.parse_config("os_prefix=next/\ninitramfs initrd.img followkernel\n")

    assert start.kernel == "next/kernel8.img"
    assert start.initramfs == "next/initrd.img"
    assert start.device_trees[0] == "next/bcm2710-rpi-3-b.dtb"
    assert start.command_line == "next/cmdline.txt"
