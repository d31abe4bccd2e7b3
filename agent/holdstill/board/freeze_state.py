"""What the agent and its guard both see: which freezes are ours, and whether the guard acted.

It is shared memory, so that a mark needs no system call and outlives a kill -9. Kept in a file on
a tmpfs it also tells the last step of the ladder, and the next run, what they may thaw.
"""

from __future__ import annotations

import mmap
import os
import struct
from contextlib import contextmanager
from enum import IntEnum
from typing import TYPE_CHECKING

import msgspec

from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

_HEAD = struct.Struct("<8sBxH")
_MAGIC = b"hsmarks1"
_FIRED, _COUNT, _STATES = 8, 10, _HEAD.size


class FreezeState(IntEnum):
    """What we did to one file system."""

    UNTOUCHED = 0
    """Not frozen by us: never thawed by us."""
    TRYING = 1
    """A freeze is on its way; it may or may not have come into force."""
    OURS = 2
    """Frozen by us."""


class FrozenFileSystem(msgspec.Struct, frozen=True):
    """How to find a marked file system again: its device number, and where it was mounted."""

    device: tuple[int, int]
    point: bytes


class SharedFreezeState:
    """One state for each file system, in the order of freezing; and whether the guard fired."""

    def __init__(self, memory: mmap.mmap) -> None:
        self._memory = memory
        (self.count,) = struct.unpack_from("<H", memory, _COUNT)

    @property
    def fired(self) -> bool:
        """Whether the guard has begun to thaw on its own account."""
        return self._memory[_FIRED] != 0

    def expire(self) -> None:
        """Note, before the first thaw, that the guard acts."""
        self._memory[_FIRED] = 1

    def __getitem__(self, number: int) -> FreezeState:
        return FreezeState(self._memory[self._place(number)])

    def __setitem__(self, number: int, state: FreezeState) -> None:
        self._memory[self._place(number)] = state

    def _place(self, number: int) -> int:
        if not 0 <= number < self.count:
            raise IndexError(number)
        return _STATES + number

    def possibly_frozen(self) -> list[int]:
        """Return what may be frozen by us, in the order in which it must be thawed."""
        return [n for n in reversed(range(self.count)) if self[n] is not FreezeState.UNTOUCHED]


def _fresh(count: int) -> bytes:
    return _HEAD.pack(_MAGIC, 0, count) + bytes(count)


def in_memory(count: int) -> SharedFreezeState:
    """Share marks with forked copies of this process only."""
    content = _fresh(count)
    memory = mmap.mmap(-1, len(content))
    memory[:] = content
    return SharedFreezeState(memory)


@contextmanager
def on_tmpfs(path: Path, marked: Sequence[FrozenFileSystem]) -> Iterator[SharedFreezeState]:
    """Share marks through a file, which is removed at the end unless something stayed frozen."""
    content = _fresh(len(marked)) + msgspec.msgpack.encode(marked)
    path.unlink(missing_ok=True)  # not emptied: an old guard may still read the old one
    try:
        with files.opened_for_writing(path, mode=0o600) as handle:
            files.write_all(handle, content)  # now: a page that is lacking later would kill us
        yield SharedFreezeState(_mapped(path))
    finally:
        if not _says_frozen(path):
            path.unlink(missing_ok=True)


def _says_frozen(path: Path) -> bool:
    try:
        return bool(SharedFreezeState(_mapped(path)).possibly_frozen())
    except (OSError, ValueError):
        return False  # nothing was frozen before the file was whole


def _mapped(path: Path) -> mmap.mmap:
    """Map a whole file; the mapping lives as long as it is referenced."""
    with files.opened(path, os.O_RDWR | os.O_NOFOLLOW) as handle:
        memory = mmap.mmap(handle, 0)
    if len(memory) < _STATES or memory[: len(_MAGIC)] != _MAGIC:
        raise ValueError(path)
    return memory


def left_over(path: Path) -> tuple[SharedFreezeState, tuple[FrozenFileSystem, ...]]:
    """Return the marks that an ended run left.

    Raises:
        FileNotFoundError: it left none.
        ValueError: it ended before the marks were whole, and so before anything was frozen.
    """
    memory = _mapped(path)
    marks = SharedFreezeState(memory)
    described = memory[_STATES + marks.count :]
    return marks, msgspec.msgpack.decode(described, type=tuple[FrozenFileSystem, ...])
