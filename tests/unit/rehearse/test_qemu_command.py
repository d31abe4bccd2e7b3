from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.rehearse import emulation, qemu_command
from holdstill.rehearse.bootable_card import CardVolume
from holdstill.rehearse.emulation import EmulatorSetup, Extract, Slot

if TYPE_CHECKING:
    from holdstill.model.entries import Entry

WAY = EmulatorSetup(
    name="a way made up for a test",
    program=emulation.X86,
    words=("-M", "pc"),
    slot=Slot.VIRTIO,
    console="ttyS0",
)
IMAGE, LOG = Path("/scratch/card.img"), Path("/scratch/console")


class OneFile:
    """A file system with one file."""

    def find(self, path: bytes) -> Entry | None:
        raise AssertionError(path)

    def children(self, path: bytes) -> list[Entry]:
        raise AssertionError(path)

    def read(self, path: bytes, *, limit: int) -> bytes:
        assert path == b"vmlinuz"
        return b"a kernel"


def words(way: EmulatorSetup, work: Path = Path("/work")) -> str:
    return str(qemu_command.command(IMAGE, way, LOG, work))


def test_a_rehearsed_board_reaches_no_network_and_reboots_never() -> None:
    told = words(WAY)

    assert "-nic none" in told
    assert "-no-reboot" in told
    assert "-netdev" not in told


def test_an_emulator_ends_with_whoever_started_it() -> None:
    assert words(WAY).startswith(f"setpriv --pdeathsig KILL {emulation.X86} ")


@pytest.mark.parametrize(
    ("slot", "sign"), [(Slot.VIRTIO, "if=virtio"), (Slot.SD, "if=sd"), (Slot.SD_PCI, "sdhci-pci")]
)
def test_the_card_is_plugged_into_its_slot(slot: Slot, sign: str) -> None:
    assert sign in words(replace(WAY, slot=slot))


def test_a_comma_in_a_name_stays_in_the_name() -> None:
    told = qemu_command.card_words(Slot.VIRTIO, Path("/scratch/a,b.img"))

    assert "file=/scratch/a,,b.img,format=raw" in told[1]


def test_what_the_emulator_loads_itself_is_taken_from_the_card(tmp_path: Path) -> None:
    volume = CardVolume(1 << 20, is_fat=True, files=OneFile())
    way = replace(
        WAY, extracts=(Extract("-kernel", volume, b"vmlinuz"),), command_line="root=/dev/x ro"
    )

    told = words(way, tmp_path)

    assert f"-kernel {tmp_path}/kernel" in told
    assert "-append 'root=/dev/x ro'" in told
    assert (tmp_path / "kernel").read_bytes() == b"a kernel"


def test_a_screen_is_there_only_where_it_is_wanted() -> None:
    assert "-qmp" not in words(WAY)
    assert "-vga std -qmp unix:/work/control" in words(replace(WAY, screen=("-vga", "std")))
