"""How an emulator can start what is on a card: the firmware it needs, the slot, the console.

Pure: it reads a card through its readers and returns arguments.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import PreflightError
from holdstill.model import paths
from holdstill.rehearse import pi_firmware
from holdstill.rehearse.console_markers import BootStage, ConsoleFinding

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from holdstill.rehearse.bootable_card import BootableCard, CardVolume

X86, ARM64 = "qemu-system-x86_64", "qemu-system-aarch64"
EMULATED_PC = ("-accel", "tcg,thread=multi", "-cpu", "qemu64,-svm", "-smp", "2")
EMULATED_ARM = ("-accel", "tcg,thread=multi", "-cpu", "cortex-a53", "-smp", "2", "-M", "virt")
ANY_BOARD = (
    "the board's own firmware and boot ROM",
    "real devices: card reader, network, anything on pins",
    "services that need a network: there is none here",
)
OTHER_TREE = "the board's own device tree and its overlays: the emulator has one of its own"
"""What an Arm card leaves open that is started on the emulator's own kind of board."""
LIMIT = 1 << 16
"""Bytes of a text file on the card that we are willing to read."""


class Slot(Enum):
    """What the card is plugged into."""

    VIRTIO = "a virtual disk"
    SD_PCI = "an SD host controller on PCI"
    SD = "the board's own SD slot"


@dataclass(frozen=True)
class Extract:
    """A file that the emulator wants beside the card, because it plays the firmware itself."""

    option: str
    volume: CardVolume
    path: bytes


@dataclass(frozen=True)
class LoaderConfig:
    """A text file on a FAT in which a boot loader finds the kernel's command line.

    Attributes:
        keyword: what a line with the command line begins with, in lower case.
    """

    volume: CardVolume
    path: bytes
    keyword: str


@dataclass(frozen=True)
class EmulatorSetup:
    """One way to start a card.

    Attributes:
        name: for people.
        firmware: a file that must be there, and the Debian package that has it.
        console: what the kernel calls the serial line that we watch.
        extracts, command_line: what the emulator loads itself; else the card does.
        settings: where a command line can be made talkative.
        screen: what gives it a screen; None when it cannot have one.
        unproven: what this way does not test.
        missing: a link that is known to be broken without a start.
    """

    name: str
    program: str
    words: tuple[str, ...]
    slot: Slot
    console: str
    firmware: tuple[Path, str] | None = None
    extracts: tuple[Extract, ...] = ()
    command_line: str = ""
    settings: tuple[LoaderConfig, ...] = ()
    screen: tuple[str, ...] | None = None
    unproven: tuple[str, ...] = ANY_BOARD
    missing: ConsoleFinding | None = None


def choose(card: BootableCard) -> EmulatorSetup:
    """Return the closest way to how this card's own board starts it.

    Raises:
        PreflightError: no way that we know of.
    """
    for way in WAYS:
        if (found := way(card)) is not None:
            return found
    raise PreflightError(
        "nothing on this card is something an emulator could start",
        hint="a rehearsal knows UEFI boot files, Pi-type cards for 64 bits, extlinux for "
        "64-bit Arm and PC boot code",
    )


def uefi_pc(card: BootableCard) -> EmulatorSetup | None:
    """Start a PC's card by UEFI firmware, which reads plain files."""
    volume = card.fat_with(b"EFI/BOOT/BOOTX64.EFI")
    if volume is None:
        return None
    code = Path("/usr/share/OVMF/OVMF_CODE.fd")
    return EmulatorSetup(
        name="UEFI firmware and the boot loader on the card",
        program=X86,
        words=(
            *EMULATED_PC,
            "-M",
            "q35",
            "-drive",
            f"if=pflash,format=raw,readonly=on,file={code}",
        ),
        slot=Slot.VIRTIO,
        console="ttyS0",
        firmware=(code, "ovmf"),
        settings=_entries(volume),
        screen=("-vga", "std"),
    )


def uefi_arm64(card: BootableCard) -> EmulatorSetup | None:
    """Start a 64-bit Arm card by UEFI firmware, which reads plain files."""
    volume = card.fat_with(b"EFI/BOOT/BOOTAA64.EFI")
    if volume is None:
        return None
    code = Path("/usr/share/qemu-efi-aarch64/QEMU_EFI.fd")
    return EmulatorSetup(
        name="UEFI firmware and the boot loader on the card",
        program=ARM64,
        words=(*EMULATED_ARM, "-bios", str(code)),
        slot=Slot.VIRTIO,
        console="ttyAMA0",
        firmware=(code, "qemu-efi-aarch64"),
        settings=_entries(volume),
        unproven=(*ANY_BOARD, OTHER_TREE),
    )


def pi_type(card: BootableCard) -> EmulatorSetup | None:
    """Start a Pi-type card in an emulated Pi 3 B, loading what its config.txt names."""
    volume = card.fat_with(b"config.txt")
    if volume is None:
        return None
    start = pi_firmware.parse_config(_text(volume, b"config.txt"))
    files = [("-kernel", start.kernel), ("-initrd", start.initramfs)]
    files += [("-dtb", tree) for tree in start.device_trees if volume.has(tree.encode())][:1]
    named = [Extract(option, volume, name.encode()) for option, name in files if name]
    # The Linux kernel's device tree calls the first serial line ttyS1, the makers' ttyAMA0.
    words = talkative(_text(volume, start.command_line.encode()), "ttyAMA0,115200")
    return EmulatorSetup(
        name="a Pi-type board, its firmware played by us",
        program=ARM64,
        words=("-accel", "tcg,thread=multi", "-M", "raspi3b"),
        slot=Slot.SD,
        console="ttyS1,115200",
        extracts=tuple(named),
        command_line=talkative(words, "ttyS1,115200"),
        screen=(),  # it has one, whether the firmware set it up or not
        unproven=(
            *ANY_BOARD,
            "overlays and parameters of config.txt: the device tree is used as it is",
            "another model than the emulated Pi 3 B",
        ),
        missing=_missing(named, start.device_trees),
    )


def _missing(named: Sequence[Extract], trees: Sequence[str]) -> ConsoleFinding | None:
    """Return the first link whose file the firmware would not find."""
    links = {"-kernel": BootStage.KERNEL, "-initrd": BootStage.INITRAMFS}
    for extract in named:
        if not extract.volume.has(extract.path):
            name = paths.display(extract.path)
            return ConsoleFinding(
                links[extract.option], f"/{name} is not on the boot partition", ""
            )
    if not any(extract.option == "-dtb" for extract in named):
        wanted = " or ".join(f"/{tree}" for tree in trees)
        means = f"no device tree for the emulated board on the boot partition ({wanted})"
        return ConsoleFinding(BootStage.FIRMWARE, means, "")
    return None


def extlinux_arm64(card: BootableCard) -> EmulatorSetup | None:
    """Start a 64-bit Arm card by U-Boot, which reads an extlinux.conf."""
    for path in (b"extlinux/extlinux.conf", b"boot/extlinux/extlinux.conf"):
        volume = card.volume_with(path)
        if volume is not None:
            code = Path("/usr/lib/u-boot/qemu_arm64/u-boot.bin")
            return EmulatorSetup(
                name="U-Boot (not the card's own) and the card's extlinux.conf",
                program=ARM64,
                words=(*EMULATED_ARM, "-bios", str(code)),
                slot=Slot.VIRTIO,
                console="ttyAMA0",
                firmware=(code, "u-boot-qemu"),
                settings=(LoaderConfig(volume, path, "append"),) if volume.is_fat else (),
                unproven=(*ANY_BOARD, OTHER_TREE, "the boot loader in the card's boot gap"),
            )
    return None


def boot_code(card: BootableCard) -> EmulatorSetup | None:
    """Start a PC's card by the code in its first sector, from an SD slot."""
    if not card.has_boot_code:
        return None
    names = (b"syslinux.cfg", b"syslinux/syslinux.cfg", b"boot/syslinux/syslinux.cfg")
    places = ((card.fat_with(name), name) for name in names)
    has_uefi = card.fat_with(b"EFI") is not None
    doubts = ("UEFI: the card has a folder EFI and no boot loader that we know in it",)
    return EmulatorSetup(
        name="the boot code in the card's first sector",
        program=X86,
        # Without a display the firmware, and programs that print through it, use the serial line.
        words=(*EMULATED_PC, "-M", "pc,graphics=off"),
        slot=Slot.SD_PCI,
        console="ttyS0",
        settings=tuple(LoaderConfig(volume, name, "append") for volume, name in places if volume),
        unproven=ANY_BOARD + (doubts if has_uefi else ()),
    )


WAYS: tuple[Callable[[BootableCard], EmulatorSetup | None], ...] = (
    uefi_pc,
    uefi_arm64,
    pi_type,
    extlinux_arm64,
    boot_code,
)
"""In the order in which they are tried."""


def _entries(volume: CardVolume) -> tuple[LoaderConfig, ...]:
    """Return the entry files of a UEFI boot loader."""
    if not volume.has(b"loader/entries"):
        return ()
    return tuple(
        LoaderConfig(volume, entry.path, "options")
        for entry in volume.files.children(b"loader/entries")
        if entry.name.isascii() and entry.name.lower().endswith(b".conf")
    )


def _text(volume: CardVolume, path: bytes) -> str:
    if not volume.has(path):
        return ""
    return volume.files.read(path, limit=LIMIT).decode(errors="replace").strip()


def talkative_settings(text: str, keyword: str, console: str) -> str:
    """Return a boot loader's settings with every command line made talkative."""
    return "".join(
        _talkative_line(line, keyword, console) for line in text.splitlines(keepends=True)
    )


def _talkative_line(line: str, keyword: str, console: str) -> str:
    body = line.rstrip("\r\n")
    words = body.split(maxsplit=1)
    if not words or words[0].lower() != keyword:
        return line
    indent = body[: len(body) - len(body.lstrip())]
    command_line = talkative(words[1] if len(words) > 1 else "", console)
    return f"{indent}{words[0]} {command_line}{line[len(body) :]}"


def talkative(command_line: str, console: str) -> str:
    """Return a command line with which a boot logs to the serial line."""
    words = [word for word in command_line.split() if word not in {"quiet", "splash"}]
    name = console.partition(",")[0]
    if not any(word.partition(",")[0] == f"console={name}" for word in words):
        words.append(f"console={console}")
    return " ".join(words)
