"""Play the firmware of a Pi-type board: follow config.txt to what it would start. Pure.

Source: Raspberry Pi documentation, "config.txt" and "Boot options" (kernel, initramfs,
auto_initramfs, device_tree, os_prefix, cmdline, arm_64bit, conditional filters).
"""

from __future__ import annotations

from dataclasses import dataclass

SECTIONS = frozenset({"all", "pi3"})
"""The conditional filters that hold on the emulated board, a Pi 3 B."""
DEFAULT_TREES = ("bcm2710-rpi-3-b.dtb", "bcm2837-rpi-3-b.dtb")
"""Device trees of this board: as its makers name it, and as the Linux kernel does."""


@dataclass(frozen=True)
class Start:
    """What the firmware would load; names are on the boot partition.

    Attributes:
        device_trees: the first of these that is there.
        initramfs: empty when there is none.
    """

    kernel: str
    device_trees: tuple[str, ...]
    initramfs: str
    command_line: str


def parse_config(text: str) -> Start:
    """Understand config.txt as the firmware of a Pi 3 B does, in 64-bit mode."""
    settings = _settings(text)
    prefix = settings.get("os_prefix", "")
    kernel = settings.get("kernel", "kernel8.img")
    initramfs = settings.get("initramfs", "").partition(" ")[0]
    if not initramfs and settings.get("auto_initramfs") == "1":
        initramfs = kernel.replace("kernel", "initramfs").partition(".")[0]
    trees = (settings["device_tree"],) if "device_tree" in settings else DEFAULT_TREES
    return Start(
        kernel=prefix + kernel,
        device_trees=tuple(prefix + tree for tree in trees),
        initramfs=prefix + initramfs if initramfs else "",
        command_line=prefix + settings.get("cmdline", "cmdline.txt"),
    )


def _settings(text: str) -> dict[str, str]:
    """Return the settings that hold on this board; later lines win."""
    settings: dict[str, str] = {}
    applies = True
    for raw in text.splitlines():
        line = raw.partition("#")[0].strip()
        if line.startswith("["):
            applies = line.strip("[]").lower() in SECTIONS
        elif applies and line.startswith("initramfs "):
            settings["initramfs"] = line.partition(" ")[2].strip()
        elif applies and "=" in line:
            key, _, value = line.partition("=")
            settings[key.strip()] = value.strip()
    return settings
