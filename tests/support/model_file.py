"""A file on a small simulated file system: blocks, a page cache, an allocator that reuses at once.

It is as nasty as the rule of places must bear: what is freed is taken by the next write, dirty
data over a hole does not show in the map, and a block may be shared by two places of the file, or
with a snapshot, and be given back. It tells what reached its disk as a trace does.
"""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING

from holdstill.board.extent_map import Extent, State, joined

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

BLOCK = 4
"""Bytes of a block; small, so that short lists of operations cross the bounds of pieces."""
ZEROS = bytes(BLOCK)
MOST = 24
"""Blocks that the file grows to."""


class Places(set[int]):
    """The blocks of the disk that were written."""

    def within(self, start: int, end: int) -> Iterator[tuple[int, int]]:
        """Yield the written parts of a range of bytes, block by block."""
        for place in sorted(self):
            first, last = max(place * BLOCK, start), min((place + 1) * BLOCK, end)
            if first < last:
                yield first, last


class ModelFile:
    """One file; positions are in blocks, and taken modulo what there is.

    Args:
        blocks: its size at first, all stored.
        versioned: whether nothing is written in place and each write has a number (as btrfs).
    """

    def __init__(self, blocks: int, *, versioned: bool = False) -> None:
        self._versioned = versioned
        self._map: list[tuple[int, State, int] | None] = []
        self._dirty: dict[int, bytes] = {}
        self._disk: dict[int, bytes] = {}
        self._clock = 0
        self._log = Places()
        self._lent: tuple[int, int] | None = None
        self._snapshot: list[tuple[int, State, int] | None] = []
        self._snapshots = 0
        for _ in range(blocks):
            self.append(0, 0)
        self.flush(0, 0)

    # --- what readers see

    @property
    def size(self) -> int:
        """Bytes of it."""
        return len(self._map) * BLOCK

    def read(self, start: int, length: int) -> bytes:
        """Return a range of bytes, whole blocks."""
        end = min(start + length, self.size) // BLOCK
        return b"".join(map(self._block, range(start // BLOCK, end)))

    def extents(self, start: int, end: int) -> list[Extent]:
        """Return the map of a range of bytes."""
        slots = enumerate(self._map)
        found = (self._extent(at, *slot) for at, slot in slots if slot is not None)
        return joined(found, start, end)

    def is_shared(self, start: int, end: int) -> bool:
        """Whether a block of a range of bytes is anywhere else as well."""
        places = [slot[0] for slot in self._map[start // BLOCK : -(-end // BLOCK)] if slot]
        return any(self._sharers(place) > 1 for place in places)

    def written(self) -> Places:
        """Return what reached the disk since it was last asked."""
        told, self._log = self._log, Places()
        return told

    def _block(self, at: int) -> bytes:
        if at in self._dirty:
            return self._dirty[at]
        slot = self._map[at]
        return self._disk[slot[0]] if slot and slot[1] is State.STORED else ZEROS

    def _extent(self, at: int, place: int, state: State, version: int) -> Extent:
        tag = (version, self._snapshots) if self._versioned else ()
        return Extent(at * BLOCK, BLOCK, (place - at) * BLOCK, state, tag)

    # --- what writers do; each takes two positions

    def pwrite(self, at: int, _: int) -> None:
        """Store new bytes in memory."""
        if self._map:
            self._clock += 1
            self._dirty[at % len(self._map)] = self._clock.to_bytes(BLOCK, "little")

    def flush(self, _: int, __: int) -> None:
        """Write all that is dirty."""
        for at in sorted(self._dirty):
            self._write_back(at)

    def write_back(self, at: int, _: int) -> None:
        """Write one block, if it is dirty."""
        if self._map:
            self._write_back(at % len(self._map))

    def direct(self, at: int, _: int) -> None:
        """Write past the page cache."""
        self.pwrite(at, 0)
        self.write_back(at, 0)

    def append(self, _: int, __: int) -> None:
        """Add a block."""
        if len(self._map) < MOST:
            self._map.append(None)
            self.pwrite(len(self._map) - 1, 0)

    def truncate(self, at: int, _: int) -> None:
        """Cut it, or make it longer by a hole."""
        while len(self._map) > at % MOST:
            self._dirty.pop(len(self._map) - 1, None)
            self._map.pop()
        self._map += [None] * (at % MOST - len(self._map))

    def punch(self, at: int, count: int) -> None:
        """Make a hole; what was dirty there is thrown away."""
        for place in range(at % MOST, min(at % MOST + count % 4 + 1, len(self._map))):
            self._dirty.pop(place, None)
            self._map[place] = None

    def fallocate(self, at: int, count: int) -> None:
        """Allocate the holes in a range."""
        for place in range(at % MOST, min(at % MOST + count % 4 + 1, len(self._map))):
            if self._map[place] is None:
                self._map[place] = (self._free(), State.ZEROS, 0)

    def zero(self, at: int, _: int) -> None:
        """Turn a block into an unwritten one, where it is; what was dirty there is thrown away."""
        if at % MOST < len(self._map):
            at %= MOST
            self._dirty.pop(at, None)
            slot = self._map[at]
            self._map[at] = (slot[0] if slot else self._free(), State.ZEROS, 0)

    def insert(self, at: int, count: int) -> None:
        """Insert a hole, and move the rest."""
        self.flush(0, 0)
        if self._map and len(self._map) + 4 <= MOST:
            self._map[at % len(self._map) : at % len(self._map)] = [None] * (count % 4 + 1)

    def collapse(self, at: int, count: int) -> None:
        """Take a range out, and move the rest."""
        self.flush(0, 0)
        if self._map:
            del self._map[at % len(self._map) : at % len(self._map) + count % 4 + 1]

    def reflink(self, source: int, target: int) -> None:
        """Have two places share one block."""
        self.flush(0, 0)
        if self._map:
            self._lent = source % len(self._map), target % len(self._map)
            self._map[self._lent[1]] = self._map[self._lent[0]]

    def give_back(self, _: int, __: int) -> None:
        """Have the last reflink undone, by another one the other way round."""
        if self._lent and max(self._lent) < len(self._map):
            self.reflink(self._lent[1], self._lent[0])

    def snapshot(self, _: int, __: int) -> None:
        """Keep all that is stored; what is dirty is not waited for."""
        if self._versioned:
            self._snapshot = list(self._map)
            self._snapshots += 1

    def restore(self, at: int, _: int) -> None:
        """Have a block again as the snapshot has it."""
        self.flush(0, 0)
        if self._map and at % len(self._map) < len(self._snapshot):
            self._map[at % len(self._map)] = self._snapshot[at % len(self._map)]

    def defragment(self, at: int, _: int) -> None:
        """Copy a block to another place."""
        self.flush(0, 0)
        if self._map and (slot := self._map[at % len(self._map)]) and slot[1] is State.STORED:
            self._store(at % len(self._map), self._disk[slot[0]], self._free())

    def _write_back(self, at: int) -> None:
        data = self._dirty.pop(at, None)
        if data is not None:
            slot = self._map[at]
            in_place = slot and self._sharers(slot[0]) == 1 and not self._versioned
            self._store(at, data, slot[0] if slot and in_place else self._free())

    def _store(self, at: int, data: bytes, place: int) -> None:
        self._clock += 1
        self._disk[place] = data
        self._map[at] = (place, State.STORED, self._clock)
        if not self._versioned:
            self._log.add(place)

    def _free(self) -> int:
        return next(place for place in count() if not self._sharers(place))

    def _sharers(self, place: int) -> int:
        held = [*self._map, *self._snapshot]
        return sum(1 for slot in held if slot and slot[0] == place)


Operation = tuple["Callable[[ModelFile, int, int], None]", int, int]
IN_PLACE = (
    ModelFile.pwrite,
    ModelFile.write_back,
    ModelFile.direct,
    ModelFile.punch,
    ModelFile.fallocate,
    ModelFile.zero,
    ModelFile.append,
    ModelFile.flush,
)
"""What may also come while one piece is read."""
SHIFTING = (
    ModelFile.insert,
    ModelFile.collapse,
    ModelFile.reflink,
    ModelFile.give_back,
    ModelFile.snapshot,
    ModelFile.restore,
    ModelFile.defragment,
    ModelFile.truncate,
)
"""What gives a block back the place that it had."""
