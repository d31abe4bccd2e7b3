"""A board with names and contents of somebody who means harm."""

from __future__ import annotations

from holdstill.keeper.local import LocalKeeper
from holdstill.model.entries import Entry, EntryType, Omitted
from support.contents import in_order
from support.keeping import Board

MANY = 450
"""Names in one folder: several pages."""


class OddBoard(Board[LocalKeeper]):
    """It has entries of all kinds, and odd targets and attributes."""

    def entries(self) -> list[Entry]:
        odd = [
            Entry(b"odd", b"up", EntryType.SYMLINK, mode=0o777, target=b"../<b>\n\xff"),
            Entry(b"odd", b"swap", EntryType.FILE, size=9, omitted=Omitted.SWAP),
            Entry(b"odd", b"pipe", EntryType.FIFO, mode=0o644),
        ]
        made = [
            entry._replace(xattrs={"user.<b>": b"\0"}) if entry.name == b"..." else entry
            for entry in super().entries()
        ]
        return in_order([*made, *odd])
