"""How small an xfs or btrfs may be, found by filling empty ones with the names of a tree.

Chunks, mirrored metadata and reserves follow no simple rule, so it is tried: a file system is
made in a sparse file below TMPDIR and gets every entry as a rebuild would make it. A content of
some length only gets its blocks, which takes no time; a short one is written, since btrfs keeps it
among its metadata. That it is a rebuild's least size was found by bisection with real contents: on
six trees the two were within 1 %.
"""

from __future__ import annotations

import heapq
import os
import secrets
import uuid
from dataclasses import dataclass
from typing import TYPE_CHECKING

from msgspec import structs

from holdstill.errors import TargetFailedError
from holdstill.filesystems import writer_input
from holdstill.filesystems.kernel_filled import kernel_writer, sizing_by_rule
from holdstill.model.entries import Entry, EntryType, key
from holdstill.model.layout import Need
from holdstill.model.sizes import MIB
from holdstill.system import sparse_copy, work_folder

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from holdstill.filesystems.writer_input import Entries
    from holdstill.model.layout import Other
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.system.process import Runner

INLINE = 2048
"""Bytes of a content from which on btrfs gives it blocks (btrfs(5), max_inline)."""
SUMMED = 1024
"""Bytes of a content for which btrfs keeps one byte of checksums: CRC-32C of every 4 KiB."""
_PRECISION = 100
"""The result is exact to 1/100, or 2 MiB."""


def minimum(
    entries: Entries, parameters: Other, *, contents: ContentSource, machine: Runner
) -> Need:
    """Return the least size at which a trial succeeds, at most that of `sizing_by_rule.need`.

    Args:
        entries: gives a stream of entries in key order; contents of sparse files are requested.
        parameters: the kind of file system.
        contents: where sparse files have their holes.
        machine: makes, mounts and checks the trials; needs root.

    Raises:
        TargetFailedError: not even the size of the rule does, so it is not a matter of size.
    """
    most = sizing_by_rule.need(entries(), parameters, contents=contents).size
    least = sizing_by_rule.RULES[parameters.type].least - MIB
    with work_folder.made() as folder:
        trial = _Trial(folder / "trial", entries, parameters, contents, machine)
        warnings = trial.run(most)
        while most - least > max(2 * MIB, most // _PRECISION):
            middle = (least + most) // 2 // MIB * MIB
            if trial.succeeds(middle, warnings):
                most = middle
            else:
                least = middle
    return Need(0, most)


@dataclass(frozen=True)
class _Trial:
    scratch: Path
    entries: Entries
    parameters: Other
    contents: ContentSource
    machine: Runner

    def succeeds(self, size: int, warnings: tuple[str, ...]) -> bool:
        """Whether a size takes everything, without another warning than that of a larger one."""
        try:
            return self.run(size) == warnings
        except TargetFailedError:
            return False

    def run(self, size: int) -> tuple[str, ...]:
        """Fill one of this size; return what could not be restored exactly."""
        # The kernel would take a trial for the board's own, if it had its UUID.
        trial = structs.replace(self.parameters, uuid=str(uuid.uuid4()))
        with self.scratch.open("wb") as empty:
            empty.truncate(size)
        kernel_writer.make(
            self.scratch, offset=0, size=size, parameters=trial, machine=self.machine
        )
        filled = kernel_writer.populate(
            self.scratch, offset=0, size=size, parameters=trial, machine=self.machine,
            entries=_with_sums(self.entries, trial), again=self.entries(), contents=self.contents,
            heads={}, pour=_make_room,
        )  # fmt: skip
        return filled.warnings


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


def _make_room(contents: ContentSource, entry: Entry, target: int) -> None:
    """Give a file what its content will take."""
    if entry.sparse:  # only its bytes show where holes will be
        writer_input.copy(contents, entry, target)
    elif entry.size < INLINE:
        sparse_copy.write_all_at(target, 0, b"\1" * entry.size)
    else:
        os.posix_fallocate(target, 0, entry.size)
