from __future__ import annotations

import pytest

from holdstill.errors import PreflightError
from holdstill.model.entries import Entry, EntryType
from holdstill.rehearse import emulation
from holdstill.rehearse.bootable_card import BootableCard, CardVolume
from holdstill.rehearse.console_markers import BootStage
from holdstill.rehearse.emulation import Slot


class FakeTree:
    """A file system that holds what the test says."""

    def __init__(self, **contents: bytes) -> None:
        self.contents = {name.encode(): content for name, content in contents.items()}

    def find(self, path: bytes) -> Entry | None:
        known = {known[: len(path)] for known in self.contents if known.startswith(path)}
        directory, _, name = path.rpartition(b"/")
        return Entry(directory=directory, name=name, type=EntryType.FILE) if known else None

    def children(self, path: bytes) -> list[Entry]:
        names = [known.removeprefix(path + b"/") for known in sorted(self.contents)]
        return [
            Entry(directory=path, name=name, type=EntryType.FILE)
            for name in names
            if path + b"/" + name in self.contents
        ]

    def read(self, path: bytes, *, limit: int) -> bytes:
        return self.contents[path]


def card(*volumes: FakeTree, boot_code: bool = False) -> BootableCard:
    """Return a card whose first file system is a FAT and whose others are not."""
    found = (CardVolume(number << 20, number == 1, v) for number, v in enumerate(volumes, start=1))
    return BootableCard(size=1 << 30, has_boot_code=boot_code, volumes=tuple(found))


LOADER = {"EFI/BOOT/BOOTX64.EFI": b"MZ", "loader/entries/board.conf": b"options root=x\n"}


def test_a_card_with_a_uefi_loader_is_started_by_uefi_firmware() -> None:
    way = emulation.choose(card(FakeTree(**LOADER), boot_code=True))

    assert (way.program, way.slot) == (emulation.X86, Slot.VIRTIO)
    assert [(s.path, s.keyword) for s in way.settings] == [
        (b"loader/entries/board.conf", "options")
    ]


def test_an_arm_loader_is_started_on_an_emulated_arm() -> None:
    way = emulation.choose(card(FakeTree(**{"EFI/BOOT/BOOTAA64.EFI": b"MZ"})))

    assert (way.program, way.console) == (emulation.ARM64, "ttyAMA0")


def test_a_pi_type_card_is_started_from_the_files_that_its_config_names() -> None:
    files = {
        "config.txt": b"kernel=vmlinuz\ninitramfs initrd.img followkernel\n",
        "cmdline.txt": b"root=PARTUUID=b0a2d003-02 quiet\n",
        "bcm2837-rpi-3-b.dtb": b"",
    }

    way = emulation.choose(card(FakeTree(**files)))

    assert {(e.option, e.path) for e in way.extracts} == {
        ("-kernel", b"vmlinuz"),
        ("-initrd", b"initrd.img"),
        ("-dtb", b"bcm2837-rpi-3-b.dtb"),
    }
    assert way.command_line == (
        "root=PARTUUID=b0a2d003-02 console=ttyAMA0,115200 console=ttyS1,115200"
    )
    assert way.slot is Slot.SD


PI_CONFIG = b"kernel=vmlinuz\ninitramfs initrd.img followkernel\n"
PI_FILES = ("config.txt", "vmlinuz", "initrd.img", "bcm2837-rpi-3-b.dtb")


@pytest.mark.parametrize(
    ("lost", "link"),
    [
        ("vmlinuz", BootStage.KERNEL),
        ("initrd.img", BootStage.INITRAMFS),
        ("bcm2837-rpi-3-b.dtb", BootStage.FIRMWARE),
    ],
)
def test_a_file_that_a_pi_would_look_for_in_vain_is_named_without_a_start(
    lost: str, link: BootStage
) -> None:
    files = {name: PI_CONFIG for name in PI_FILES if name != lost}

    way = emulation.choose(card(FakeTree(**files)))

    assert way.missing is not None
    assert way.missing.link is link
    assert f"/{lost}" in str(way.missing)


def test_a_pi_type_card_with_all_its_files_is_started() -> None:
    way = emulation.choose(card(FakeTree(**dict.fromkeys(PI_FILES, PI_CONFIG))))

    assert way.missing is None


def test_what_a_rehearsal_leaves_open_is_told_for_the_kind_of_board() -> None:
    pc = emulation.choose(card(FakeTree(**LOADER)))
    pi_type = emulation.choose(card(FakeTree(**dict.fromkeys(PI_FILES, PI_CONFIG))))
    u_boot = emulation.choose(card(FakeTree(**{"extlinux/extlinux.conf": b"APPEND root=x\n"})))

    for way in (pc, pi_type, u_boot):
        told = " ".join(way.unproven)
        assert "firmware" in told
        assert "real devices" in told
        assert ("overlays" in told) is (way is not pc)


def test_extlinux_is_found_on_the_root_file_system_too() -> None:
    root = FakeTree(**{"boot/extlinux/extlinux.conf": b"APPEND root=x\n"})

    way = emulation.choose(card(FakeTree(), root))

    assert way.firmware is not None
    assert way.firmware[1] == "u-boot-qemu"
    assert way.settings == ()


def test_boot_code_is_the_last_resort_and_says_what_it_leaves_open() -> None:
    files = {"EFI/readme": b"", "syslinux.cfg": b"APPEND root=x\n"}

    way = emulation.choose(card(FakeTree(**files), boot_code=True))

    assert way.slot is Slot.SD_PCI
    assert [s.path for s in way.settings] == [b"syslinux.cfg"]
    assert any("UEFI" in doubt for doubt in way.unproven)


def test_a_card_that_nothing_could_start_is_refused() -> None:
    with pytest.raises(PreflightError, match="nothing on this card"):
        emulation.choose(card(FakeTree(notes=b"")))


def test_a_command_line_is_made_talkative_on_the_watched_console() -> None:
    words = "root=/dev/x ro quiet splash console=tty1"

    assert emulation.talkative(words, "ttyS0") == "root=/dev/x ro console=tty1 console=ttyS0"


def test_a_command_line_that_names_the_console_keeps_its_words() -> None:
    words = "console=ttyAMA0,9600 root=/dev/x"

    assert emulation.talkative(words, "ttyAMA0,115200") == words


def test_only_the_command_lines_of_a_loaders_settings_change() -> None:
    text = "title quiet board\r\n  OPTIONS  root=x quiet\r\nlinux /quiet\noptions\n"

    changed = emulation.talkative_settings(text, "options", "ttyS0")

    assert changed == (
        "title quiet board\r\n  OPTIONS root=x console=ttyS0\r\nlinux /quiet\n"
        "options console=ttyS0\n"
    )
