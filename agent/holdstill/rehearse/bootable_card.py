"""What a card offers to those who would boot it."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from holdstill.disks import mbr, partition_table
from holdstill.filesystems import probe
from holdstill.filesystems.ext4 import ext4_reader
from holdstill.filesystems.fat import fat_reader
from holdstill.model import layout
from holdstill.system import byte_source

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.entries import Entry
    from holdstill.system.byte_source import OpenFile


class VolumeFiles(Protocol):
    """Files in a file system that is not mounted."""

    def find(self, path: bytes) -> Entry | None:
        """Return the entry at a path, None when there is none."""

    def children(self, path: bytes) -> list[Entry]:
        """Return the entries in a directory."""

    def read(self, path: bytes, *, limit: int) -> bytes:
        """Return the content of a file of at most limit bytes."""


@dataclass(frozen=True)
class CardVolume:
    """A file system on the card that firmware or a boot loader might read.

    Attributes:
        start: its first byte on the card.
        is_fat: whether it is a FAT, which simple firmware can read.
    """

    start: int
    is_fat: bool
    files: VolumeFiles

    def has(self, path: bytes) -> bool:
        """Return whether there is an entry at this path."""
        return self.files.find(path) is not None


@dataclass(frozen=True)
class BootableCard:
    """A card as firmware sees it: sectors and file systems, in the order of the partitions."""

    size: int
    has_boot_code: bool
    volumes: tuple[CardVolume, ...]

    def fat_with(self, path: bytes) -> CardVolume | None:
        """Return the first FAT that has this path."""
        return next((v for v in self.volumes if v.is_fat and v.has(path)), None)

    def volume_with(self, path: bytes) -> CardVolume | None:
        """Return the first file system of any kind that has this path."""
        return next((v for v in self.volumes if v.has(path)), None)


@contextmanager
def opened(image: Path) -> Iterator[BootableCard]:
    """Inspect a card image; its files can be read as long as the block lasts.

    Raises:
        LayoutError: it has no partition table that could be read.
    """
    with byte_source.opened(image) as disk:
        yield BootableCard(
            size=disk.size,
            has_boot_code=any(disk.read(0, mbr.BOOT_CODE)),
            volumes=tuple(_volumes(disk)),
        )


def _volumes(disk: OpenFile) -> Iterator[CardVolume]:
    found = partition_table.read(disk)
    for partition in found.partitions:
        start = partition.start * found.sector_size
        window = disk.window(start, partition.size * found.sector_size)
        match probe.probe(window):
            case layout.Fat():
                yield CardVolume(start, is_fat=True, files=fat_reader.FatReader(window))
            case layout.Ext4():
                yield CardVolume(start, is_fat=False, files=ext4_reader.Ext4Reader(window))
            case _:
                continue
