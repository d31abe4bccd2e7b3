"""What a manifest names beside the files: the boot gap, raw partitions, the index."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.board import layout
from holdstill.disks import boot_gap
from holdstill.errors import PreflightError
from holdstill.model import pieces, sizes
from holdstill.model.manifest import Attachment
from holdstill.system import byte_source, files

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.board.layout import BoardLayout, BoardPart
    from holdstill.model.pieces import PieceList

GAP, INDEX = "gap.bin", "index.sqlite"
INDEX_PIECE = 16 << 10
"""Bytes of a piece of the index, whose changes are scattered over its 4 KiB pages. Of 100 files of
150,000 that changed, 4, 8, 16 and 32 KiB make 119, 115, 109 and 104 pieces, and with the list 0.7,
1.1, 1.8 and 3.4 MB; where nothing changed but the first page, the list is all: 253 to 32 KB."""


def raw_name(number: int) -> str:
    """Return the attachment's name for a raw partition."""
    return f"raw-{number}.bin"


def gap_size(board: BoardLayout) -> int:
    """Return the bytes in the boot gap that are not zero, in whole sectors."""
    with byte_source.opened(board.device) as source:
        return sum(len(run.data) for run in boot_gap.read(source, board.disk))


def copy_gap(board: BoardLayout, directory: Path) -> Path | None:
    """Copy the boot gap into a file in memory; None when it holds nothing."""
    with byte_source.opened(board.device) as source:
        runs = boot_gap.read(source, board.disk)
    if not runs:
        return None
    path = directory / GAP
    files.publish(path, boot_gap.encode(runs))
    return path


def copy_raw(part: BoardPart, board: BoardLayout, directory: Path, *, room: int) -> Path:
    """Copy a partition's bytes into a file in memory; blocks of zeroes become holes.

    Raises:
        PreflightError: there is no memory for it.
    """
    if part.size > room:
        raise PreflightError(
            f"partition {part.number} ({sizes.human(part.size)}) has to be copied raw and does "
            f"not fit the memory that may be taken ({sizes.human(room)})",
            hint="mount it so that its files can be captured, or raise pause.spool_share",
        )
    path = directory / raw_name(part.number)
    with layout.opened_part(board, part) as window, files.opened_new(path) as target:
        os.ftruncate(target, part.size)
        for start in range(0, part.size, files.CHUNK):
            chunk = window.read(start, min(files.CHUNK, part.size - start))
            for offset in range(0, len(chunk), _BLOCK):
                block = chunk[offset : offset + _BLOCK]
                if block != _ZEROES[: len(block)]:
                    os.pwrite(target, block, start + offset)
    return path


_BLOCK = 4096
_ZEROES = bytes(_BLOCK)


@dataclass(frozen=True)
class PiecedFile:
    """A file that goes to the keeper in pieces.

    Attributes:
        name: what the manifest calls it.
        listed: its pieces.
    """

    name: str
    path: Path
    listed: PieceList

    @property
    def attachment(self) -> Attachment:
        """What the manifest says of it."""
        return Attachment(name=self.name, sha256=self.listed.digest().hex(), size=self.listed.size)


def pieced(name: str, path: Path) -> PiecedFile:
    """Read a file and list its pieces."""
    piece = INDEX_PIECE if name == INDEX else pieces.PIECE
    with files.opened(path) as handle:
        return PiecedFile(name, path, pieces_of(handle, path.stat().st_size, piece))


def pieces_of(handle: int, size: int, piece: int = pieces.PIECE) -> PieceList:
    """Read an open file of this size and list its pieces; holes are not read.

    Raises:
        EOFError: it is shorter.
    """
    builder, position = pieces.ListBuilder(size, piece), 0
    for start, end in (*files.data_ranges(handle, size), (size, size)):
        first = start // piece * piece
        if first > position:
            builder.add_holes((first - position) // piece)
            position = first
        while position < end:
            wanted = min(piece, size - position)
            data = os.pread(handle, wanted, position)
            if len(data) < wanted:
                raise EOFError(f"file ended at byte {position + len(data)} of {size}")
            builder.add(pieces.piece_digest(data))
            position += wanted
    builder.add_holes(-(-(size - position) // piece))
    return builder.built()
