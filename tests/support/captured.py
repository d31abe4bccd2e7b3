"""A small capture in memory, for tests of what is made of one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.model import paths
from holdstill.model.layout import Disk, Ext4, Fat, Partition, Swap, TableLabel
from holdstill.model.manifest import (
    Attachment,
    BoardIdentity,
    CapturedPart,
    Grade,
    Manifest,
    Moment,
    Pause,
    SwapFile,
)
from support.contents import FolderContents, a_file, a_folder, in_order

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.entries import Entry

MACHINE_ID = "5bf1c5ed1c4e4b7f9d1f7c7a5a0d3f11"
ROOT_UUID = "3e6be9de-8139-11d1-9106-a43f08d823a6"
SWAP_UUID = "0f4ea1bc-4e61-4b43-a9b1-6d0c5e1e7a55"
SWAP_FILE_UUID = "7d1b3a52-30a2-4d30-9a51-1c33d9ab3d0e"
FAT = Fat(
    bits=32,
    volume_id=0xA40D85E7,
    label="BOOTFS",
    sectors_per_cluster=8,
    reserved_sectors=32,
    sectors=1048572,
    clusters=130811,
)
EXT4 = Ext4(
    uuid=ROOT_UUID,
    label="rootfs",
    block_size=4096,
    blocks=100000,
    inode_size=256,
    inodes=25000,
    features=("has_journal", "extent"),
)
MBR = Disk(
    size=4 << 30,
    label=TableLabel.DOS,
    id="0x9a3c5d2e",
    partitions=(
        Partition(number=1, start=8192, size=1048576, type="c"),
        Partition(number=2, start=1056768, size=6000000, type="83"),
        Partition(number=3, start=7056768, size=1000000, type="82"),
    ),
)
GPT = Disk(
    size=4 << 30,
    label=TableLabel.GPT,
    id="6E1FB2A0-1111-4222-8333-444455556666",
    first_lba=2048,
    table_length=128,
    partitions=(
        Partition(
            number=1,
            start=8192,
            size=1048576,
            type="C12A7328-F81F-11D2-BA4B-00A0C93EC93B",
            uuid="0B0A0908-0706-4504-8302-010099AABBCC",
            name="boot",
        ),
        Partition(
            number=2,
            start=1056768,
            size=6000000,
            type="0FC63DAF-8483-4772-8E79-3D69D8477DE4",
            uuid="11111111-2222-4333-8444-555566667777",
            name="root",
        ),
        Partition(
            number=3,
            start=7056768,
            size=1000000,
            type="0657FD6D-A4AB-43C4-84E5-0933C84B4F4F",
            uuid="99999999-2222-4333-8444-555566667777",
        ),
    ),
)


def pier_3(disk: Disk = MBR) -> Manifest:
    """Return the manifest of pier-3: a FAT, an ext4 root, a swap partition and a swap file."""
    parts = (
        CapturedPart(
            number=1, grade=Grade.SETTLED, file_system=FAT, mount="/boot/firmware", entries=9
        ),
        CapturedPart(number=2, grade=Grade.POINT_IN_TIME, file_system=EXT4, mount="/", entries=99),
        CapturedPart(number=3, grade=Grade.READ_ONLY, file_system=Swap(uuid=SWAP_UUID)),
    )
    return Manifest(
        format=1,
        agent="holdstill 0.1.0",
        board=BoardIdentity(name="pier-3", machine_id=MACHINE_ID, hostname="pier-3"),
        seq=42,
        run="abcdefgh",
        moment=Moment(taken_at="2026-11-25T02:15:03Z", monotonic=1.0, clock_trusted=True),
        disk=disk,
        parts=parts,
        swap_files=(SwapFile(partition=2, path="/swapfile", size=1 << 20, uuid=SWAP_FILE_UUID),),
        pause=Pause(),
        index=Attachment(name="index.sqlite", sha256="0" * 64, size=1),
    )


class CapturedFiles:
    """Entries of a capture by partition, with the contents of their files."""

    def __init__(self, folder: Path) -> None:
        self.contents = FolderContents(folder / "content")
        self._parts: dict[int, dict[bytes, Entry]] = {}

    def add(self, part: int, path: str, content: bytes | str, *, mode: int = 0o644) -> Entry:
        """Add a file, and the directories above it."""
        raw = content.encode() if isinstance(content, str) else content
        entry = a_file(self.contents, path.encode(), raw, mode=mode)
        self.put(part, entry)
        return entry

    def put(self, part: int, entry: Entry) -> None:
        """Add an entry, and the directories above it."""
        entries = self._parts.setdefault(part, {b"": a_folder(b"")})
        entries[entry.path] = entry
        above = entry.directory
        while above not in entries:
            entries[above] = a_folder(above)
            above = paths.split(above)[0]

    def get(self, part: int, path: bytes) -> Entry | None:
        """Return the entry at a path, or None when there is none."""
        return self._parts.get(part, {}).get(path)

    def children(self, part: int, directory: bytes) -> list[Entry]:
        """Return the entries directly in a directory, in name order."""
        return [
            entry for entry in self.entries(part) if entry.directory == directory and entry.name
        ]

    def entries(self, part: int) -> list[Entry]:
        """Return all entries of a partition in key order."""
        return in_order(self._parts.get(part, {}).values())

    def parts(self) -> list[int]:
        """Return the partitions that have entries."""
        return sorted(self._parts)
