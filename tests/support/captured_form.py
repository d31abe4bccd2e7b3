"""A card in the form that a capture has: an index, contents, a manifest; made without a board."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import msgspec

from holdstill.disks import boot_gap, partition_table
from holdstill.filesystems.ext4.ext4_reader import Ext4Reader
from holdstill.filesystems.fat.fat_reader import FatReader
from holdstill.filesystems.file_tree import Content
from holdstill.model import pieces
from holdstill.model.entries import EntryType
from holdstill.model.layout import Ext4, Fat
from holdstill.model.manifest import Attachment
from holdstill.rebuild.boot import captured_card
from holdstill.records import index_file
from holdstill.system import byte_source
from support import cards
from support.contents import FolderContents

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.layout import FileSystem
    from holdstill.rebuild.boot.card import BootCard
    from holdstill.system.byte_source import OpenFile


@contextmanager
def boot_card_of(image: Path, folder: Path) -> Iterator[BootCard]:
    """Hold what a boot check sees of a capture of this card."""
    contents, path = FolderContents(folder / "captured"), folder / "captured.sqlite"
    with byte_source.opened(image) as card, index_file.created(path) as index:
        disk = partition_table.read(card)
        systems = cards.file_systems_of(image, disk, raw={})
        for partition in disk.partitions:
            place = card.window(partition.start * 512, partition.size * 512)
            reader = _reader(place, systems[partition.number])
            for entry in reader.entries(Content.SKIPPED) if reader is not None else ():
                is_file = entry.type is EntryType.FILE and entry.size
                body = reader.read(entry.path, limit=entry.size) if is_file and reader else b""
                found = entry._replace(digest=contents.add(body)) if body else entry
                index.put(partition.number, found, seq=1)
        gap = boot_gap.encode(boot_gap.read(card, disk))
    listed = pieces.of_reader(len(gap), pieces.PIECE, lambda at, count: gap[at : at + count])
    for part in listed.parts():
        contents.add(gap[part.offset : part.offset + part.length])
    contents.add(listed.encode())
    attachment = Attachment(name="gap.bin", sha256=listed.digest().hex(), size=len(gap))
    manifest = msgspec.structs.replace(cards.manifest_of(disk, systems), gap=attachment)
    with (
        index_file.opened(path) as index,
        captured_card.opened(manifest, index, contents) as captured,
    ):
        yield captured


def _reader(place: OpenFile, system: FileSystem) -> Ext4Reader | FatReader | None:
    if isinstance(system, Ext4):
        return Ext4Reader(place)
    return FatReader(place) if isinstance(system, Fat) else None
