"""How small an xfs or btrfs may be, found by filling empty ones with the names of a tree.

Chunks, mirrored metadata and reserves follow no simple rule, so it is tried: a file system is
made in a sparse file and gets every entry as a rebuild would make it. A content of some length
only gets its blocks, which takes no time; a short one is written, since btrfs keeps it among its
metadata. That it is a rebuild's least size was found by bisection with real contents: on six
trees the two were within 1 %.
"""

from __future__ import annotations

import heapq
import os
import secrets
import tempfile
import uuid
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import structs

from holdstill.errors import TargetFailedError
from holdstill.model.entries import Entry, EntryType, key
from holdstill.model.sizes import MIB
from holdstill.rebuild import fit_other, splice
from holdstill.rebuild.planner import Need
from holdstill.rebuild.writers import other

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.model.layout import Other
    from holdstill.rebuild.sources import Contents, Entries
    from holdstill.system.process import Runner

INLINE = 2048
"""Bytes of a content from which on btrfs gives it blocks (btrfs(5), max_inline)."""
SUMMED = 1024
"""Bytes of a content for which btrfs keeps one byte of checksums: CRC-32C of every 4 KiB."""
_PRECISION = 100
"""It is told within 1/100, or 2 MiB."""


def minimum(entries: Entries, parameters: Other, *, machine: Runner) -> Need:
    """Return the least size at which a trial succeeds; never more than `fit_other.need` says.

    Args:
        entries: gives a stream of entries in key order.
        parameters: the kind of file system.
        machine: makes, mounts and checks the trials; needs root.
    """
    most = fit_other.need(entries(), parameters).size
    least = fit_other.RULES[parameters.type].least - MIB
    with tempfile.TemporaryDirectory(prefix="holdstill-fit-") as folder:
        scratch = Path(folder) / "trial"
        while most - least > max(2 * MIB, most // _PRECISION):
            middle = (least + most) // 2 // MIB * MIB
            if _fits(scratch, middle, entries, parameters, machine):
                most = middle
            else:
                least = middle
    return Need(0, most)


def _fits(scratch: Path, size: int, entries: Entries, parameters: Other, machine: Runner) -> bool:
    # The kernel would take a trial for the board's own, if it had its UUID.
    trial = structs.replace(parameters, uuid=str(uuid.uuid4()))
    with scratch.open("wb") as empty:
        empty.truncate(size)
    try:
        other.make(scratch, offset=0, size=size, parameters=trial, machine=machine)
        other.fill(
            scratch, offset=0, size=size, parameters=trial, machine=machine,
            entries=_with_sums(entries, parameters), again=entries(), contents=_Nothing(),
            heads={}, pour=_make_room,
        )  # fmt: skip
    except TargetFailedError:
        return False
    return True


def _with_sums(entries: Entries, parameters: Other) -> Iterable[Entry]:
    """Yield entries, and short files that take as much room as a btrfs' checksums will."""
    if parameters.type != "btrfs":
        return entries()
    data = sum(entry.size for entry in entries() if entry.size >= INLINE)
    word = secrets.token_hex(8)
    extra = (
        Entry(
            b"", f"{word}-{number:06d}".encode(), EntryType.FILE, 0o600, size=INLINE - 1,
            digest=b"-",
        )
        for number in range(data // SUMMED // INLINE)
    )  # fmt: skip
    return heapq.merge(entries(), extra, key=key)


class _Nothing:
    """No content is asked for."""

    def open(self, digest: bytes) -> int:
        """Refuse."""
        raise LookupError(digest.hex())


def _make_room(contents: Contents, entry: Entry, target: int) -> None:
    """Give a file what its content will take."""
    del contents
    if entry.sparse:
        return
    if entry.size < INLINE:
        splice.write_all_at(target, 0, b"\1" * entry.size)
    else:
        os.posix_fallocate(target, 0, entry.size)
