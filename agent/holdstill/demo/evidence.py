"""Read what the tide gauge left on a rebuilt card, without mounting the card."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import NamedTuple

from holdstill.demo import gauge_check
from holdstill.disks import partition_table
from holdstill.filesystems.ext4.ext4_reader import Ext4Reader
from holdstill.model.entries import EntryType
from holdstill.model.sizes import MIB
from holdstill.system import byte_source

LARGEST = 256 * MIB
"""No file of the gauge grows so large in a demonstration."""


class Evidence(NamedTuple):
    """What a card's gauge says.

    Attributes:
        newest_reading: 0 when it is unknown.
        broken: what is wrong with its files; nothing for one instant.
    """

    newest_reading: int
    broken: tuple[str, ...]


def of_card(image: Path, *, partition: int) -> Evidence:
    """Question a card image."""
    with tempfile.TemporaryDirectory(prefix="gauge-") as work:
        copy_gauge(image, Path(work), partition=partition)
        return of_tree(Path(work))


def of_tree(root: Path) -> Evidence:
    """Question a tree."""
    broken = tuple(gauge_check.check(root))
    try:
        return Evidence(gauge_check.look(root).database.last, broken)
    except gauge_check.UNREADABLE:
        return Evidence(0, broken)


def copy_gauge(image: Path, target: Path, *, partition: int) -> None:
    """Copy the gauge's files out of a card image; the places below target are as on the board."""
    with byte_source.opened(image) as source:
        disk = partition_table.read(source)
        place = disk.partition(partition)
        volume = source.window(place.start * disk.sector_size, place.size * disk.sector_size)
        for folder in gauge_check.PLACES:
            files = Ext4Reader(volume)
            (target / folder).mkdir(parents=True)
            for entry in files.children(bytes(folder)):
                if entry.type is EntryType.FILE:
                    content = files.read(entry.path, limit=LARGEST)
                    (target / folder / entry.name.decode()).write_bytes(content)
