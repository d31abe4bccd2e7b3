"""A board with names and contents of somebody who means harm."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from msgspec import structs

from holdstill.keeper.local import LocalKeeper
from holdstill.model.entries import Entry, EntryType, Omitted
from support.contents import in_order
from support.keeping import Board

if TYPE_CHECKING:
    from collections.abc import Mapping

    from holdstill.model.manifest import Manifest
    from holdstill.model.protocol import RunStarted

MANY = 450
"""Names in one folder: several pages."""


@dataclass
class OddBoard(Board[LocalKeeper]):
    """It has entries of all kinds, and odd targets and attributes.

    Attributes:
        attributes: extended ones of files, by their paths.
        top: where its file system is mounted, "" for nowhere.
    """

    attributes: Mapping[bytes, Mapping[str, bytes]] = field(default_factory=dict)
    top: str = ""

    def entries(self) -> list[Entry]:
        odd = [
            Entry(b"odd", b"up", EntryType.SYMLINK, mode=0o777, target=b"../<b>\n\xff"),
            Entry(b"odd", b"swap", EntryType.FILE, size=9, omitted=Omitted.SWAP),
            Entry(b"odd", b"pipe", EntryType.FIFO, mode=0o644),
        ]
        made = [
            entry._replace(xattrs={"user.<b>": b"\0"})
            if entry.name == b"..."
            else entry._replace(xattrs=self.attributes.get(entry.path, entry.xattrs))
            for entry in super().entries()
        ]
        return in_order([*made, *odd])

    def manifest(self, begun: RunStarted, index: bytes) -> Manifest:
        made = super().manifest(begun, index)
        parts = tuple(structs.replace(part, mount=self.top) for part in made.parts)
        return structs.replace(made, parts=parts)
