"""What a serial console shows about how far a boot came and what stopped it. Pure.

The wordings are those of the programs themselves: EDK II's boot manager, systemd-boot,
SYSLINUX, U-Boot, GRUB, the Linux kernel, Debian's initramfs-tools, systemd. Each was seen on a
console of ours unless its program's source is named beside it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum


class BootStage(StrEnum):
    """The links of the boot chain, in order."""

    FIRMWARE = "firmware"
    LOADER = "boot loader"
    KERNEL = "kernel"
    INITRAMFS = "initramfs"
    ROOT = "root file system"
    INIT = "init"
    SERVICES = "services"
    LOGIN = "login"


CHAIN = tuple(BootStage)


@dataclass(frozen=True)
class ConsoleProblem:
    """What a line on the console means, if the boot fails.

    Attributes:
        link: the link that could not be taken.
        pattern: matches the line.
        means: the same for people.
    """

    link: BootStage
    pattern: str
    means: str


@dataclass(frozen=True)
class ConsoleFinding:
    """Where the boot chain broke: our description, and the console's output."""

    link: BootStage
    means: str
    words: str

    def __str__(self) -> str:
        words = f"; the console says: {self.words}" if self.words else ""
        return f"the {self.link}: {self.means}{words}"


REACHED = (
    (BootStage.FIRMWARE, r"BdsDxe: loading Boot|SeaBIOS \(version|U-Boot \d"),
    # GRUB grub-core/boot/i386/pc/boot.S and kern/main.c; EXTLINUX: syslinux core/diskstart.inc.
    (
        BootStage.LOADER,
        r"BdsDxe: starting Boot0001|^(SYS|EXT)LINUX |GRUB |^ *Welcome to GRUB!|Retrieving file: ",
    ),
    (BootStage.KERNEL, r"\] Linux version |\] Booting Linux on physical CPU|EFI stub: Booting"),
    (
        BootStage.INITRAMFS,
        r"\] Run /init as init process|^Loading, please wait|^Begin: Loading essential",
    ),
    # Linux fs/btrfs/disk-io.c, fs/f2fs/super.c and fs/xfs/xfs_log.c.
    (
        BootStage.ROOT,
        r"\] (EXT4-fs|BTRFS|F2FS-fs|XFS) .*[Mm]ount|^Begin: Running /scripts/init-bottom",
    ),
    # sysvinit src/init.c; OpenRC src/openrc/rc.c. GRUB welcomes, too.
    (
        BootStage.INIT,
        r"\] systemd\[1\]: |^Welcome to (?!GRUB)|^INIT: version|OpenRC .* is starting",
    ),
    (BootStage.SERVICES, r"Reached target .*(Multi-User|multi-user|Graphical|graphical)"),
    (BootStage.LOGIN, r"\blogin: *$"),
)
"""Lines that show that a link was reached. Not every boot prints them all."""

STOPS = (
    ConsoleProblem(
        BootStage.LOADER,
        # EDK II OvmfPkg BdsPlatform.c, NetworkPkg/UefiPxeBcDxe, ShellPkg Shell.uni.
        r"BdsDxe: No bootable option or device was found|>>Start PXE over|UEFI Interactive Shell",
        "the firmware found no boot loader on the card, or the one it found gave up",
    ),
    ConsoleProblem(
        BootStage.LOADER,
        # SeaBIOS src/boot.c.
        r"^No bootable device|^Boot failed: (not a bootable disk|could not read the boot disk)",
        "the firmware found no boot code in the card's first sector",
    ),
    ConsoleProblem(
        BootStage.LOADER,
        r"^Missing operating system",
        "the boot code in the card's first sector found no active partition",
    ),
    ConsoleProblem(
        BootStage.LOADER,
        # What mkfs.fat writes into a boot sector (dosfstools src/mkfs.fat.c), and what SYSLINUX's
        # own says (core/diskboot.inc).
        r"^This is not a bootable disk|^Boot error$",
        "the boot loader on the card is damaged or not installed",
    ),
    ConsoleProblem(
        BootStage.LOADER, r"No configuration file found", "the boot loader found no settings"
    ),
    ConsoleProblem(
        BootStage.KERNEL,
        # The second of SYSLINUX up to 4.x: core/ui.inc.
        r"^Loading \S+ failed: No such file|Could not find kernel image",
        "the boot loader did not find the kernel that its settings name",
    ),
    ConsoleProblem(
        BootStage.KERNEL,
        # systemd-boot, with the title and the file of the entry, and since version 254 with the
        # words in the middle: systemd src/boot/efi/boot.c.
        r"^Failed to execute .+ \(.+\)|^Error loading (EFI binary |remote UKI )?\S+: ",
        "the boot loader could not start the kernel of the entry that it chose",
    ),
    ConsoleProblem(
        BootStage.ROOT,
        r"^ALERT! .* does not exist",
        "the root file system that the command line names is not on the card",
    ),
    ConsoleProblem(
        BootStage.ROOT,
        r"Kernel panic - not syncing: VFS: Unable to mount root fs",
        "the kernel cannot mount the root file system that the command line names: it is not on "
        "the card, or this kernel needs an initramfs to reach it",
    ),
    ConsoleProblem(
        BootStage.ROOT,
        r"^Failed to mount \S+ as root file system",
        "the root file system is there and cannot be mounted",
    ),
    ConsoleProblem(
        BootStage.INIT,
        # Linux init/main.c.
        r"^No init found|Kernel panic - not syncing: No working init found",
        "the root file system holds no init",
    ),
    ConsoleProblem(
        BootStage.INIT,
        # Linux kernel/exit.c; systemd src/core/crash-handler.c.
        r"Kernel panic - not syncing: Attempted to kill init|systemd\[1\]: Freezing execution",
        "init ended or froze",
    ),
    ConsoleProblem(
        BootStage.SERVICES,
        # The second: util-linux login-utils/sulogin.c.
        r"^You are in (emergency|rescue) mode|Cannot open access to console, the root account",
        "the system stopped in emergency mode",
    ),
    ConsoleProblem(
        BootStage.KERNEL, r"^=> *$", "the boot loader, U-Boot, gave up and waits for commands"
    ),
    # After the more specific panics: of several problems in one line, the first one counts.
    ConsoleProblem(BootStage.KERNEL, r"Kernel panic - not syncing", "the kernel gave up"),
)
"""Lines after which nothing more will come."""

HINTS = (
    ConsoleProblem(
        BootStage.KERNEL,
        r"Reboot Into Firmware Interface",
        "the boot loader shows a menu instead of starting an entry: "
        "it leaves out entries whose kernel is not on the card",
    ),
    ConsoleProblem(
        BootStage.KERNEL,
        r"^Skipping .* for failure retrieving kernel",
        "the boot loader did not find the kernel that its settings name",
    ),
    ConsoleProblem(
        BootStage.KERNEL,
        r"^Skipping .* for failure retrieving FDT",  # from U-Boot's strings
        "the boot loader did not find the device tree that its settings name",
    ),
    ConsoleProblem(
        BootStage.KERNEL,
        r"^Bad Linux ARM64 Image magic!",
        "what the boot loader found in the kernel's place is no kernel for this processor",
    ),
    ConsoleProblem(
        BootStage.INITRAMFS,
        r"Error preparing initrd|^Skipping .* for failure retrieving initrd",
        "the boot loader did not find the initramfs that its settings name",
    ),
    ConsoleProblem(
        BootStage.INITRAMFS,
        r"Initramfs unpacking failed",
        "the initramfs is damaged",
    ),
    ConsoleProblem(
        BootStage.SERVICES,
        r"Timed out waiting for device|Dependency failed for .*\.mount",
        "a device did not come up in time: a file system that /etc/fstab names is not on the "
        "card, or this machine was too busy to emulate the board",
    ),
)
"""Lines that a good boot may show too, and that explain a bad one."""

# systemd cuts long lines short, at times within such a sequence: its letter may be missing.
_CONTROLS = re.compile(rb"\x1b\[[0-9;?=]*[A-Za-z]?|\x1b[()][A-Z0-9]|\x1b[a-zA-Z78=>]")
_PLACED = re.compile(rb"\x1b\[[0-9;]*H|\x1b\[2J|\x1bc|\r")
_FAILED = re.compile(r"^\[ *FAILED *\] (.+)$", re.MULTILINE)


def plain(console: bytes) -> str:
    """Return what a console printed as lines of text: no colours, no cursor movements."""
    # A program that moves the cursor begins a new line somewhere else.
    text = _CONTROLS.sub(b"", _PLACED.sub(b"\n", console)).decode(errors="replace")
    return "\n".join(line for line in text.splitlines() if line.strip())


def reached(text: str) -> BootStage | None:
    """Return the last link that the console shows to have been reached."""
    seen = [link for link, pattern in REACHED if re.search(pattern, text, re.MULTILINE)]
    return seen[-1] if seen else None


def is_alive(text: str, sign: str = "") -> bool:
    """Return whether the system shows a login prompt or the requested sign."""
    return re.search(sign or REACHED[-1][1], text, re.MULTILINE) is not None


def is_stopped(text: str) -> bool:
    """Return whether the console shows a line after which nothing more will come."""
    return any(re.search(stop.pattern, text, re.MULTILINE) for stop in STOPS)


def failed_units(text: str) -> tuple[str, ...]:
    """Return the services that systemd reports as failed; the boot may go on without them."""
    return tuple(dict.fromkeys(_FAILED.findall(text)))


def broken(text: str) -> ConsoleFinding:
    """Return which link broke: by the first line that explains it, else by what is missing."""
    for line in text.splitlines():
        for trouble in (*STOPS, *HINTS):
            if re.search(trouble.pattern, line):
                return ConsoleFinding(trouble.link, trouble.means, line.strip())
    last = reached(text)
    following = CHAIN[CHAIN.index(last) + 1] if last else BootStage.FIRMWARE
    means = f"the console shows nothing of the {following}"
    lines = text.splitlines()
    return ConsoleFinding(following, means, lines[-1] if lines else "")
