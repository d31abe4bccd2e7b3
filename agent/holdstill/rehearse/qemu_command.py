"""The emulator's arguments for a way to start a card."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.rehearse.emulation import Slot
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.rehearse.emulation import EmulatorSetup, Extract

MEMORY_MIB = 1024
"""What a Pi 3 has, which takes no other value."""
CONTROL = "control"
"""Name of the socket through which the emulator takes questions."""
EXTRACT_LIMIT = 256 << 20
"""Bytes of a kernel or initramfs that we are willing to read."""


def command(
    image: Path, way: EmulatorSetup, log: Path, work: Path, further: Sequence[Path] = ()
) -> Command:
    """Return the command that starts the card: no network, no window, the console in a file.

    Further images are the board's other disks.

    Files that the emulator has to load itself are copied from the card to work first. The way has
    a screen, and the emulator a control socket in work, if pictures are wanted.
    """
    return Command.of(
        # Whatever happens to us, no emulator is left running.
        *("setpriv", "--pdeathsig", "KILL", way.program),
        *way.words,
        *loaded(way, work),
        *card_words(way.slot, image),
        *further_words(way.slot, further),
        *console_words(way.slot, log),
        *screen_words(way, work),
        *("-m", str(MEMORY_MIB), "-nodefaults", "-nic", "none", "-display", "none"),
        # A panic or a reboot ends the rehearsal: a boot in a loop is no boot.
        "-no-reboot",
    )


def screen_words(way: EmulatorSetup, work: Path) -> tuple[str, ...]:
    """Return the arguments for a screen, and for the socket through which it can be viewed."""
    if way.screen is None:
        return ()
    return (*way.screen, "-qmp", f"unix:{work / CONTROL},server=on,wait=off")


def card_words(slot: Slot, image: Path) -> tuple[str, ...]:
    """Return the arguments that attach the card."""
    # A comma in the name would end it. The image is thrown away: flushing it is no use.
    name = str(image).replace(",", ",,")
    drive = f"file={name},format=raw,cache=unsafe"
    match slot:
        case Slot.VIRTIO:
            return ("-drive", f"{drive},if=virtio")
        case Slot.SD:
            return ("-drive", f"{drive},if=sd")
        case Slot.SD_PCI:
            host = ("-device", "sdhci-pci", "-device", "sd-card,drive=card")
            return ("-drive", f"{drive},if=none,id=card", *host)


def further_words(slot: Slot, images: Sequence[Path]) -> tuple[str, ...]:
    """Return the arguments that attach a board's further disks: by USB where there is no other.

    The first disk that is attached is started from.
    """
    words = []
    for number, image in enumerate(images):
        name = str(image).replace(",", ",,")
        drive = f"file={name},format=raw,cache=unsafe"
        if slot is Slot.SD:
            device = f"usb-storage,drive=further{number}"
            words += ["-drive", f"{drive},if=none,id=further{number}", "-device", device]
        else:
            words += ["-drive", f"{drive},if=virtio"]
    return tuple(words)


def console_words(slot: Slot, log: Path) -> tuple[str, ...]:
    """Return the arguments that log all of the board's serial lines to one file."""
    name = str(log).replace(",", ",,")
    line = ("-serial", "chardev:console")
    # A Pi has two lines, and its device tree defines which one is the console.
    lines = line * 2 if slot is Slot.SD else line
    return ("-chardev", f"file,id=console,path={name},mux=on", *lines)


def loaded(way: EmulatorSetup, work: Path) -> tuple[str, ...]:
    """Copy the files that the emulator loads itself, and return the arguments that name them."""
    words = [word for extract in way.extracts for word in _loaded(extract, work)]
    append = ("-append", way.command_line) if way.command_line else ()
    return (*words, *append)


def _loaded(extract: Extract, work: Path) -> tuple[str, str]:
    content = extract.volume.files.read(extract.path, limit=EXTRACT_LIMIT)
    target = work / extract.option.strip("-")
    target.write_bytes(content)
    return extract.option, str(target)
