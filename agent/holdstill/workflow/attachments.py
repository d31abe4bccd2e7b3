"""What goes beside the manifest: the boot gap, raw partitions, the index."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.disks import boot_gap
from holdstill.errors import PreflightError
from holdstill.model import sizes
from holdstill.model.manifest import Attachment
from holdstill.system import byte_source, files

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from holdstill.board.layout import BoardLayout, BoardPart

GAP, INDEX = "gap.bin", "index.sqlite"


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
    with byte_source.opened(board.device) as source, files.opened_new(path) as target:
        window = source.window(part.offset, part.size)
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


def described(paths: Mapping[str, Path]) -> dict[str, Attachment]:
    """Return name, SHA-256 and size of attachments, each by its name."""
    return {
        name: Attachment(name=name, sha256=files.hash_file(path).hex(), size=path.stat().st_size)
        for name, path in paths.items()
    }
