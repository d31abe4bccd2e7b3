"""What a manifest names beside the files: the boot gap, raw partitions, the index."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from holdstill.board import layout
from holdstill.disks import boot_gap
from holdstill.errors import PreflightError
from holdstill.model import pieces, sizes
from holdstill.model.attachment_names import INDEX, gap_name, raw_name
from holdstill.model.manifest import Attachment
from holdstill.system import byte_source, files

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.board.layout import BoardDisk, BoardLayout, BoardPart
    from holdstill.model.pieces import PieceList

INDEX_PIECE = 16 << 10
"""Bytes of a piece of the index, whose changes are scattered over its 4 KiB pages. Of 100 files of
150,000 that changed, 4, 8, 16 and 32 KiB make 119, 115, 109 and 104 pieces, and with the list 0.7,
1.1, 1.8 and 3.4 MB; where nothing changed but the first page, the list is all: 253 to 32 KB."""


def gap_size(disk: BoardDisk) -> int:
    """Return the bytes in a disk's boot gap that are not zero, in whole sectors."""
    with byte_source.opened(disk.device) as source:
        return sum(len(run.data) for run in boot_gap.read(source, disk.layout))


@dataclass(frozen=True)
class Extract:
    """Bytes to be attached: a range of a file or device.

    Attributes:
        start, size: bytes.
    """

    path: Path
    start: int
    size: int

    @classmethod
    def whole(cls, path: Path) -> Self:
        """Return all of a file."""
        return cls(path, 0, path.stat().st_size)


def raw_in_place(part: BoardPart, board: BoardLayout) -> Extract:
    """Return where the bytes of a partition are that nobody writes to."""
    with layout.opened_part(board, part) as window:
        is_own = window.start == 0 and part.device.is_block_device()
        path = part.device if is_own else board.disk_of(part).device
        return Extract(path, window.start, part.size)


def gap_file(disk: BoardDisk) -> bytes:
    """Return a disk's boot gap as a gap file; b"" if it holds nothing."""
    with byte_source.opened(disk.device) as source:
        runs = boot_gap.read(source, disk.layout)
    return boot_gap.encode(runs) if runs else b""


def copy_gaps(board: BoardLayout, directory: Path) -> dict[str, Path]:
    """Copy the boot gaps that hold anything into files in memory; by the attachment's name."""
    found = {}
    for place, disk in enumerate(board.disks, start=1):
        if data := gap_file(disk):
            name = gap_name(place)
            files.publish(directory / name, data)
            found[name] = directory / name
    return found


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
        start: byte of path that it begins at.
    """

    name: str
    path: Path
    listed: PieceList
    start: int = 0

    @property
    def attachment(self) -> Attachment:
        """What the manifest says of it."""
        return Attachment(name=self.name, sha256=self.listed.digest().hex(), size=self.listed.size)


def pieced(name: str, source: Extract) -> PiecedFile:
    """Read a file and list its pieces."""
    piece = INDEX_PIECE if name == INDEX else pieces.PIECE
    with files.opened(source.path) as handle:
        listed = pieces_of(handle, source.size, piece, start=source.start)
    return PiecedFile(name, source.path, listed, source.start)


def pieces_of(handle: int, size: int, piece: int = pieces.PIECE, *, start: int = 0) -> PieceList:
    """Read size bytes of an open file from start on, and list their pieces; holes are not read.

    Raises:
        EOFError: it is shorter.
    """
    builder, position = pieces.ListBuilder(size, piece), 0
    ranges = files.data_ranges(handle, start + size, first=start)
    for data_start, data_end in (*ranges, (start + size, start + size)):
        first = (data_start - start) // piece * piece
        if first > position:
            builder.add_holes((first - position) // piece)
            position = first
        while position < data_end - start:
            wanted = min(piece, size - position)
            data = os.pread(handle, wanted, start + position)
            if len(data) < wanted:
                raise EOFError(f"file ended at byte {position + len(data)} of {size}")
            builder.add(pieces.piece_digest(data))
            position += wanted
    builder.add_holes(-(-(size - position) // piece))
    return builder.built()
