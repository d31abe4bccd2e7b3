"""A whole card made into a sibling's: every id differs, every reference resolves, it boots."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.disks import partition_table, partition_table_check, partition_table_writer
from holdstill.filesystems.ext4 import ext4_reader, ext4_writer
from holdstill.filesystems.fat import fat_reader, fat_writer
from holdstill.filesystems.file_tree import Content
from holdstill.model.entries import EntryType
from holdstill.model.layout import Ext4, Fat
from holdstill.model.manifest import CapturedPart, Grade
from holdstill.rebuild import bootcheck, new_identity, sibling_changes
from holdstill.rebuild.overlay import Overlay
from holdstill.rebuild.sibling_changes import Sibling, SiblingTools
from holdstill.rebuild.ssh_host_keys import SshKeygen
from holdstill.system import byte_source
from holdstill.system.process import LocalRunner
from support import boot_card, loop, programs
from support.boot_card import DISK_ID, ROOT_UUID, VERSION, Parts
from support.captured import MACHINE_ID, CapturedFiles, pier_3

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.filesystems.file_tree import FileTree

MACHINE = LocalRunner()
GPT_TABLE = """\
label: gpt
label-id: 6E1FB2A0-1111-4222-8333-444455556666
unit: sectors
start=8192, size=32768, type=uefi, uuid=0B0A0908-0706-4504-8302-010099AABBCC, name=boot
start=40960, size=73728, type=linux, uuid=11111111-2222-4333-8444-555566667777, name=root
"""
GPT_ROOT = "11111111-2222-4333-8444-555566667777"


def a_board(folder: Path, *, table_text: str, root: str) -> Parts:
    """Return a card that boots in three ways, each of which names its root."""
    programs.run("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", folder / "key")
    options = f"root=PARTUUID={root} rootfstype=ext4 rootwait"
    parts = boot_card.firmware_card()
    parts.table = table_text
    parts.boot |= {
        "cmdline.txt": f"console=tty1 {options}\n".encode(),
        "EFI/BOOT/BOOTAA64.EFI": b"MZ" + bytes(100),
        "loader/entries/tide.conf": f"linux /kernel8.img\noptions {options}\n".encode(),
    }
    menu = f"label l0\n linux /boot/vmlinuz-{VERSION}\n append root=UUID={ROOT_UUID}\n"
    menu += f" initrd /boot/initrd.img-{VERSION}\n"
    parts.root |= {
        "boot/extlinux/extlinux.conf": menu.encode(),
        f"boot/vmlinuz-{VERSION}": boot_card.kernel(),
        f"boot/initrd.img-{VERSION}": b"070701",
        "etc/fstab": f"UUID={ROOT_UUID} / ext4 defaults 0 1\n"
        "UUID=A40D-85E7 /boot/firmware vfat defaults 0 2\n".encode(),
        "etc/hostname": b"pier-3\n",
        "etc/hosts": b"127.0.1.1 pier-3\n",
        "etc/machine-id": f"{MACHINE_ID}\n".encode(),
        "etc/ssh/ssh_host_ed25519_key": (folder / "key").read_bytes(),
        "etc/ssh/ssh_host_ed25519_key.pub": (folder / "key.pub").read_bytes(),
    }
    return parts


class Captured:
    """What the readers find on a card: its manifest, entries and contents."""

    def __init__(self, folder: Path, image: Path) -> None:
        self.files = CapturedFiles(folder)
        with byte_source.opened(image) as card:
            self.disk = partition_table.read(card)
            places = [(p.start * 512, p.size * 512) for p in self.disk.partitions]
            boot, root = (card.window(*place) for place in places)
            self.fat = fat_reader.FatReader(boot)
            self.ext4 = ext4_reader.Ext4Reader(root)
            self.keep(1, self.fat)
            self.keep(2, self.ext4)
            parts = (
                CapturedPart(
                    number=1, grade=Grade.SETTLED, file_system=self.fat.parameters(), entries=1
                ),
                CapturedPart(
                    number=2, grade=Grade.READ_ONLY, file_system=self.ext4.parameters(), entries=1
                ),
            )
        self.manifest = msgspec.structs.replace(pier_3(self.disk), parts=parts, swap_files=())

    def keep(self, part: int, tree: FileTree) -> None:
        for entry in tree.entries(Content.HASHED):
            self.files.put(part, entry)
            if entry.type is EntryType.FILE and entry.size:
                self.files.contents.add(tree.read(entry.path, limit=1 << 24))


def rebuild(image: Path, sibling: Sibling, captured: Captured) -> None:
    made = sibling.manifest
    loop.blank_image(image, size=made.disk.size)
    contents = sibling.overlay.over(captured.files.contents)
    boot, root = made.disk.partitions
    fat, ext4 = made.part(1).file_system, made.part(2).file_system
    assert isinstance(fat, Fat)
    assert isinstance(ext4, Ext4)
    fat_writer.make(
        image,
        offset=boot.start * 512,
        size=boot.size * 512,
        parameters=fat,
        entries=sibling.overlay.adjusted(1, captured.files.entries(1)),
        contents=contents,
        machine=MACHINE,
    )
    place, size = root.start * 512, root.size * 512
    ext4_writer.write(
        image,
        offset=place,
        size=size,
        parameters=ext4,
        entries=sibling.overlay.adjusted(2, captured.files.entries(2)),
        contents=contents,
        machine=MACHINE,
    )
    ext4_writer.finish(image, offset=place, parameters=ext4, machine=MACHINE)
    partition_table_writer.write(image, made.disk, MACHINE)
    partition_table_check.check(image, made.disk)


def ids_of(image: Path) -> dict[str, str]:
    """Return every id of a card by the words of blkid and sfdisk."""
    found = {"disk": programs.run("sfdisk", "--disk-id", image).decode().strip()}
    for number, start in ((1, 8192), (2, 40960)):
        said = programs.run("blkid", "-p", "-O", str(start * 512), "-o", "export", image).decode()
        found[f"uuid {number}"] = re.findall(r"^UUID=(.*)$", said, re.MULTILINE)[0]
        text = programs.run("sfdisk", "--part-uuid", image, str(number)) if is_gpt(image) else b""
        found[f"guid {number}"] = text.decode().strip() or f"{found['disk']}-{number}"
    return found


def is_gpt(image: Path) -> bool:
    with image.open("rb") as file:
        file.seek(512)
        return file.read(8) == b"EFI PART"


@pytest.mark.parametrize(
    ("table_text", "root"), [(boot_card.TABLE, f"{DISK_ID}-02"), (GPT_TABLE, GPT_ROOT)],
    ids=["mbr", "gpt"],
)  # fmt: skip
def test_a_sibling_differs_in_every_id_and_boots(
    tmp_path: Path, table_text: str, root: str
) -> None:
    parts = a_board(tmp_path, table_text=table_text, root=root)
    (tmp_path / "board").mkdir()
    original = boot_card.make(tmp_path / "board", parts)
    captured = Captured(tmp_path, original)
    new = new_identity.invent(captured.manifest, "pier-4", os.urandom)

    sibling = sibling_changes.make_sibling(
        captured.manifest,
        new,
        files=captured.files,
        contents=captured.files.contents,
        tools=SiblingTools(os.urandom, SshKeygen(MACHINE)),
    )
    image = tmp_path / "pier-4.img"
    rebuild(image, sibling, captured)

    before, after = ids_of(original), ids_of(image)
    assert before.keys() == after.keys()
    assert [name for name in before if before[name].lower() == after[name].lower()] == []
    with byte_source.opened(image) as card:
        report = bootcheck.check(card)
    assert report.is_bootable, "\n".join(report.lines())
    assert [link for chain in report.chains for link in chain.links if link.breaks] == []
    assert len(report.chains) == 3
    assert_nothing_old_is_left(image, [*before.values(), MACHINE_ID, "pier-3"])
    programs.run("sfdisk", "--verify", image)
    programs.run("e2fsck", "-fn", f"{image}?offset={40960 * 512}")


def assert_nothing_old_is_left(image: Path, olds: list[str]) -> None:
    """No text of the old ids, in any case of letters, anywhere on the card."""
    content = image.read_bytes().lower()
    left = [old for old in olds if old.lower().removeprefix("0x").encode() in content]
    assert left == []


def test_a_replacement_is_the_same_card(tmp_path: Path) -> None:
    parts = a_board(tmp_path, table_text=boot_card.TABLE, root=f"{DISK_ID}-02")
    (tmp_path / "board").mkdir()
    original = boot_card.make(tmp_path / "board", parts)
    captured = Captured(tmp_path, original)
    same = Sibling(captured.manifest, Overlay(), (), ())

    image = tmp_path / "again.img"
    rebuild(image, same, captured)

    assert ids_of(image) == ids_of(original)
    again = Captured(tmp_path / "board", image)
    assert again.files.entries(1) == captured.files.entries(1)
    assert again.disk == captured.disk
    with byte_source.opened(image) as card:
        assert bootcheck.check(card).is_bootable
