"""How small an f2fs may be for a tree: its blocks are counted, then empty file systems are made.

What mkfs.f2fs keeps back grows with the size by steps of its own, so it is tried. It refuses less
than 52 MiB (f2fs-tools 1.15, measured).
"""

from __future__ import annotations

import struct
from itertools import groupby
from typing import TYPE_CHECKING

from holdstill.errors import CommandError, PreflightError
from holdstill.model.entries import EntryType
from holdstill.model.layout import Need
from holdstill.model.sizes import MIB, align_up
from holdstill.system import work_folder
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from holdstill.model.entries import Entry
    from holdstill.system.process import Runner

BLOCK = 4096
SEGMENT = 2 * MIB
LEAST = 52 * MIB
SLACK = 1024
"""Blocks, two segments: sload.f2fs 1.15 was seen to stop with 701 left, and to do with 884."""
INLINE = 3488
"""Bytes of content that an inode holds itself, beside its attributes (struct f2fs_inode)."""
_IN_INODE, _IN_NODE = 873, 1018
_SLOTS = 214
"""Names of up to 8 bytes in a block of a directory (NR_DENTRY_IN_BLOCK of f2fs_fs.h)."""
_ROUNDS = 60


def blocks(entries: Iterable[Entry]) -> int:
    """Return how many blocks these entries take, in key order; sparse files count in full."""
    total, links = 1, set[int]()
    for _, group in groupby(entries, key=lambda entry: entry.directory):
        slots = 2
        for entry in group:
            slots += max(1, -(-len(entry.name) // 8))
            if entry.link not in links:
                total += _of_inode(entry)
            if entry.link:
                links.add(entry.link)
        # Hashes spread a larger directory over more blocks than it fills.
        total += -(-slots * 13 // 10 // _SLOTS) + 2 if slots > _SLOTS - 14 else 0
    return total


def minimum(wanted: int, *, machine: Runner) -> Need:
    """Find the smallest f2fs that takes this many blocks, by making empty ones.

    Raises:
        PreflightError: this machine's mkfs.f2fs makes none that would do.
    """
    wanted += SLACK + wanted // 200
    with work_folder.made() as folder:
        scratch, size = folder / "empty", LEAST
        for _ in range(_ROUNDS):
            missing = wanted - _room(scratch, size, machine)
            if missing <= 0:
                return Need(0, size)
            size += align_up(missing * BLOCK, SEGMENT)
    raise PreflightError("no size was found at which this machine's mkfs.f2fs leaves enough room")


def _of_inode(entry: Entry) -> int:
    if entry.type is EntryType.DIRECTORY:
        return 2  # and the first block of names
    size = len(entry.target) if entry.type is EntryType.SYMLINK else entry.size
    if size <= INLINE:
        return 1
    data = -(-size // BLOCK)
    nodes = max(0, -(-(data - _IN_INODE) // _IN_NODE))
    above = -(-nodes // _IN_NODE) + 1 if nodes > 2 else 0
    return 1 + data + nodes + above


def _room(scratch: Path, size: int, machine: Runner) -> int:
    """Return how many blocks are left for people in an empty one (struct f2fs_checkpoint)."""
    with scratch.open("wb") as empty:
        empty.truncate(size)
    try:
        machine.run(Command.of("mkfs.f2fs", "-q", "-f", scratch, timeout=600))
    except CommandError as error:
        raise PreflightError(f"no f2fs of {size} bytes can be made: {error}") from error
    with scratch.open("rb") as made:
        made.seek(1024 + 76)
        made.seek(int.from_bytes(made.read(4), "little") * BLOCK)
        _, room, used = struct.unpack("<QQQ", made.read(24))
    return int(room) - int(used)
