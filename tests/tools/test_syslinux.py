"""A card that starts by SYSLINUX boots again after a rebuild: its installer is run.

SYSLINUX wiki, "SYSLINUX" and "Mbr": ldlinux.sys is located by sector, and the boot code of
mbr.bin starts the active partition.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
import pytest

from holdstill.disks import boot_gap as gap
from holdstill.disks import partition_table
from holdstill.filesystems.fat import fat_reader, syslinux
from holdstill.filesystems.file_tree import Content
from holdstill.model.entries import EntryType
from holdstill.model.manifest import CapturedPart, Grade
from holdstill.rebuild import compressed_image
from holdstill.rebuild.rebuild_target import Existing
from holdstill.records import index_file
from holdstill.system import byte_source
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import plan_rebuild
from holdstill.workflow import rebuild as workflow_rebuild
from holdstill.workflow.plan_rebuild import PlanOptions
from holdstill.workflow.rebuild import RebuildReport
from holdstill.workflow.rebuild_dependencies import RebuildDependencies
from holdstill.workflow.rebuild_source import RebuildSource
from support import boot_card, keeping, loop, programs
from support.capture_folder import CaptureFolder
from support.captured import pier_3
from support.contents import FolderContents
from support.silence import Silent

MIB = 1 << 20
START = 8192 * 512
TABLE = "label: dos\nlabel-id: 0x9a3c5d2e\nstart=8192, type=c, bootable\n"
CFG = "DEFAULT tide\nLABEL tide\n KERNEL /vmlinuz\n APPEND root=PARTUUID=9a3c5d2e-01 rootwait\n"
BOOT_CODE = Path("/usr/lib/syslinux/mbr/mbr.bin")
pytestmark = pytest.mark.tools


def a_card(folder: Path, *, directory: str = "") -> Path:
    """Make a card that starts by SYSLINUX, with files that came before it."""
    image = loop.partitioned_image(folder / "card.img", size=64 * MIB, script=TABLE)
    with image.open("r+b") as card:
        card.write(BOOT_CODE.read_bytes()[:440])
    programs.run("mkfs.vfat", "-F", "32", "-s", "1", "-h", "8192", "--offset", "8192", image,
                 str(60 * 1024))  # fmt: skip
    inside = ("-i", f"{image}@@{START}")
    for name, data in {
        "other.bin": os.urandom(300_000),
        "vmlinuz": boot_card.kernel(),
        "syslinux.cfg": CFG.encode(),
    }.items():
        (folder / name).write_bytes(data)
        programs.run("mcopy", *inside, folder / name, "::/")
    if directory:
        programs.run("mmd", *inside, f"::/{directory}")
        programs.run("syslinux", "--install", "--directory", f"/{directory}", "--offset",
                     str(START), image)  # fmt: skip
    else:
        programs.run("syslinux", "--install", "--offset", str(START), image)
    return image


@contextmanager
def captured(folder: Path, image: Path) -> Iterator[RebuildSource]:
    """Capture a card through our own readers."""
    contents = FolderContents(folder / "content")
    with byte_source.opened(image) as card:
        disk = partition_table.read(card)
        place = disk.partition(1)
        fat = fat_reader.FatReader(card.window(place.start * 512, place.size * 512))
        entries = list(fat.entries(Content.HASHED))
        for entry in entries:
            if entry.type is EntryType.FILE and entry.size:
                contents.add(fat.read(entry.path, limit=1 << 24))
        boot_gap = gap.encode(gap.read(card, disk))
        parameters = fat.parameters()
    for body in keeping.pieces_of(boot_gap).values():
        contents.add(body)
    with index_file.created(folder / "index.sqlite") as index:
        index.put_all(1, entries, seq=1)
    part = CapturedPart(
        number=1, grade=Grade.READ_ONLY, file_system=parameters, entries=len(entries)
    )
    manifest = msgspec.structs.replace(
        pier_3(disk), parts=(part,), swap_files=(),
        gap=keeping.attachment("gap.bin", boot_gap),
    )  # fmt: skip
    kept = CaptureFolder(folder, manifest, contents)
    with index_file.opened(folder / "index.sqlite") as index:
        yield RebuildSource(kept, manifest, index)


def rebuild(image: Path, source: RebuildSource) -> RebuildReport:
    machine = LocalRunner()
    size = source.manifest.disk.size
    plan = plan_rebuild.plan_rebuild(source, size=size, options=PlanOptions(), machine=machine)
    with compressed_image.claimed_image(image, size=size, existing=Existing.KEEP) as target:
        means = RebuildDependencies(machine, SystemClock(), Silent())
        return workflow_rebuild.carry_out(target, plan, source, means)


@pytest.mark.parametrize("directory", ["", "syslinux"])
def test_a_rebuilt_card_boots_by_syslinux_again(tmp_path: Path, directory: str) -> None:
    original = a_card(tmp_path, directory=directory)
    image = tmp_path / "rebuilt.img"

    with captured(tmp_path, original) as source_:
        report = rebuild(image, source_)

    assert not [text for text in report.boot_trouble if "SYSLINUX" in text], report.boot_trouble
    assert sector(image, 0)[:440] == BOOT_CODE.read_bytes()[:440].ljust(440, b"\0")
    assert knows_where_it_lies(image, directory)
    assert any("ldlinux.sys" in note and "its installer wrote" in note for note in report.notes)
    programs.run("fsck.vfat", "-n", part_of(image))


def test_the_capture_was_of_a_card_that_boots(tmp_path: Path) -> None:
    original = a_card(tmp_path)

    assert knows_where_it_lies(original, "")


def test_without_the_installer_it_is_said_that_the_card_will_not_boot(tmp_path: Path) -> None:
    with captured(tmp_path, a_card(tmp_path)) as source_:
        loaders = [entry for entry in source_.entries(1) if syslinux.is_loader(entry)]

    assert [entry.path for entry in loaders] == [b"ldlinux.sys"]
    assert "will not boot" in syslinux.not_installed(loaders[0], number=1)


def sector(image: Path, number: int) -> bytes:
    with image.open("rb") as card:
        card.seek(number * 512)
        return card.read(512)


def part_of(image: Path) -> Path:
    part = image.with_suffix(".fat")
    with image.open("rb") as card:
        card.seek(START)
        part.write_bytes(card.read())
    return part


def knows_where_it_lies(image: Path, directory: str) -> bool:
    """Whether the boot sector holds the number of the sector in which ldlinux.sys begins.

    diskstart.inc of SYSLINUX: the installer patches the LBA of ldlinux.sys's first sector into the
    boot sector's code as 32 bits of two immediate values (`mov eax` and `mov edx`), 66 b8 and
    66 ba; counted from the start of the partition (core/diskboot.inc, libinstaller/syslxmod.c).
    """
    loader = f"::/{directory}/ldlinux.sys" if directory else "::/ldlinux.sys"
    said = programs.run("mshowfat", "-i", f"{image}@@{START}", loader).decode()
    cluster = int(said.split("<")[1].split("-")[0].split(">")[0])
    boot = sector(image, 8192)
    reserved, fats = int.from_bytes(boot[14:16], "little"), boot[16]
    first = reserved + fats * int.from_bytes(boot[36:40], "little") + (cluster - 2) * boot[13]
    return first.to_bytes(4, "little") in boot[90:510]
