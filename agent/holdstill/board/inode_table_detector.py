"""Finds changes on a mounted ext4 by its inode tables."""

from __future__ import annotations

import hashlib
import struct
import sys
import zlib
from array import array
from typing import TYPE_CHECKING

import msgspec

from holdstill.board import ctime_window, open_files
from holdstill.board.inode_tables import Times
from holdstill.errors import VerificationError
from holdstill.system import ioctl

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdstill.board.ctime_window import CtimeWindow, InodeClock
    from holdstill.board.inode_tables import InodeTables

from holdstill.board.change_detection import ChangedInodes, Changes, EverythingMayHaveChanged

STEP = 256
"""Bytes of two groups' times that are compared at once; only unequal ones are compared by word."""


KEPT_MAX = 512 << 20
"""Bytes of a remembered baseline, unpacked, that we are willing to read."""


class Baseline(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """When every inode of a file system last changed, at one scan.

    Attributes:
        identity: UUID and geometry of the file system, and when it was last repaired: of another
            one, or after a repair, nothing can be concluded.
        seconds, fractions: by group, each number of the first inode with a word per inode.
        suspects: inodes that may change once more without a new ctime.
    """

    identity: tuple[str, ...]
    seconds: dict[int, bytes]
    fractions: dict[int, bytes]
    suspects: frozenset[int]


class _Head(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    format: int
    byte_order: str
    bound_to: str
    identity: tuple[str, ...]
    suspects: frozenset[int]


class _Group(msgspec.Struct, frozen=True, array_like=True):
    first: int
    seconds: bytes
    fractions: bytes


FORMAT = 2
_LENGTH = struct.Struct("<I")
_AT_ONCE = 1 << 20


def encode(baseline: Baseline, *, bound_to: str) -> bytes:
    """Write a baseline down; it is good only together with the index that bound_to names.

    Group by group, for it may take more room than all else that a capture remembers.
    """
    packer, parts = zlib.compressobj(1), list[bytes]()

    def add(message: _Head | _Group) -> None:
        data = msgspec.msgpack.encode(message)
        parts.append(packer.compress(_LENGTH.pack(len(data))) + packer.compress(data))

    add(
        _Head(
            format=FORMAT,
            byte_order=sys.byteorder,
            bound_to=bound_to,
            identity=baseline.identity,
            suspects=baseline.suspects,
        )
    )
    for first, seconds in baseline.seconds.items():
        add(_Group(first, seconds, baseline.fractions[first]))
    packed = b"".join((*parts, packer.flush()))
    return hashlib.sha256(packed).digest() + packed


def decode(data: bytes, *, bound_to: str) -> Baseline:
    """Read what encode wrote.

    Raises:
        VerificationError: it is damaged, or belongs to another index.
    """
    check, packed = data[:32], memoryview(data)[32:]
    if hashlib.sha256(packed).digest() != check:
        raise VerificationError("the remembered state of the file system is damaged")
    try:
        messages = _messages(packed)
        head = msgspec.msgpack.decode(next(messages, b""), type=_Head)
        if (head.format, head.byte_order, head.bound_to) != (FORMAT, sys.byteorder, bound_to):
            raise VerificationError("the remembered state belongs to another index")
        groups = msgspec.msgpack.Decoder(_Group)
        found = Baseline(identity=head.identity, seconds={}, fractions={}, suspects=head.suspects)
        for message in messages:
            group = groups.decode(message)
            found.seconds[group.first] = group.seconds
            found.fractions[group.first] = group.fractions
    except (zlib.error, struct.error, msgspec.MsgspecError) as error:
        raise VerificationError("the remembered state of the file system is damaged") from error
    return found


def _messages(packed: memoryview) -> Iterator[bytes]:
    """Yield what was packed, message by message."""
    unpacker, waiting, total = zlib.decompressobj(), bytearray(), 0
    rest: bytes | memoryview = packed
    while not unpacker.eof and total <= KEPT_MAX:
        piece, rest = unpacker.decompress(rest, _AT_ONCE), unpacker.unconsumed_tail
        if not (piece or rest):
            break
        waiting += piece
        total += len(piece)
        while len(waiting) >= _LENGTH.size:
            end = _LENGTH.size + _LENGTH.unpack_from(waiting)[0]
            if len(waiting) < end:
                break
            yield bytes(waiting[_LENGTH.size : end])
            del waiting[:end]
    if waiting or not unpacker.eof:
        raise zlib.error("it does not end where it should")


class InodeTableDetector:
    """Finds changes on ext4 by its inode tables."""

    name = "inode-tables"

    def __init__(self, root: int, tables: InodeTables, clocks: InodeClock) -> None:
        """Prepare; root is an open directory of the file system."""
        self._root = root
        self._tables = tables
        self._clocks = clocks
        self._baseline: Baseline | None = None
        self._why = "there is no earlier look to compare with"
        self._unconfirmed: set[int] = set()
        self._confirmed = False

    def start_from(self, data: bytes, *, bound_to: str) -> None:
        """Continue from what an earlier capture remembered, if it is still good."""
        if not data:
            return
        try:
            baseline = decode(data, bound_to=bound_to)
        except VerificationError as error:
            self._why = str(error)
            return
        if baseline.identity != identity(self._tables):
            self._why = "the file system was made anew, resized or repaired"
            return
        self._baseline, self._confirmed = baseline, True

    def changes(self) -> Changes:
        """Sync the file system and return what changed since the confirmed scan."""
        started = self._clocks.now()
        ioctl.sync_file_system(self._root)
        under_way = open_files.written_directly(self._root, started.wall_ns)
        return self._look(started, under_way)

    def prepare_freeze(self) -> None:
        """Nothing to prepare: the tables suffice."""

    def frozen_changes(self) -> Changes:
        """Do the same while the file system is frozen or read-only. Only reads."""
        return self._look(self._clocks.now(), set())  # what was under way is over

    def _look(self, started: ctime_window.ClockReading, under_way: set[int]) -> Changes:
        before, was_confirmed = self._baseline, self._confirmed
        self._baseline, self._confirmed = None, False  # what is compared goes with it
        self._why, why = "the look before was broken off", self._why
        now, changed = compare(before, self._tables)
        recent = ctime_window.window(started, self._clocks.now())
        if before is None:
            changed = frozenset(filter(self._tables.has_names, _maybe_recent(now, recent)))
        else:
            changed |= before.suspects
        # Which of the candidates may change once more without a new ctime.
        self._tables.forget()
        found = under_way
        for number in changed - found:
            facts = self._tables.facts(number)
            if facts is not None and recent.has(facts.ctime_ns):
                found.add(number)
        suspects = frozenset(found)
        self._baseline = msgspec.structs.replace(now, suspects=suspects)
        self._confirmed, self._why = was_confirmed, why
        if not self._confirmed:
            return EverythingMayHaveChanged(self._why, recent=None)
        self._unconfirmed |= changed
        return ChangedInodes(frozenset(self._unconfirmed))

    def confirm(self) -> None:
        """Record that what was last reported has reached the index."""
        self._unconfirmed.clear()
        self._confirmed = self._baseline is not None

    def doubt(self, inodes: Iterable[int]) -> None:
        """Report these inodes next time whether they changed or not."""
        self._unconfirmed.update(inodes)

    def remember(self, bound_to: str) -> bytes:
        """Return the confirmed scan for the next capture; bound_to names its index."""
        if self._baseline is None or not self._confirmed:
            return b""
        suspects = self._baseline.suspects | self._unconfirmed
        return encode(
            msgspec.structs.replace(self._baseline, suspects=suspects), bound_to=bound_to
        )


def identity(tables: InodeTables) -> tuple[str, ...]:
    """Return what must not change between two checks of one file system."""
    sb = tables.superblock
    numbers = (sb.inode_size, sb.inodes_per_group, sb.blocks_per_group, tables.last_check())
    return (sb.uuid, *map(str, numbers))


def compare(before: Baseline | None, tables: InodeTables) -> tuple[Baseline, frozenset[int]]:
    """Scan; return the new baseline with the numbers of the inodes that differ from before.

    The words of the one before go as they are compared: of a million inodes they are 10 MB.
    """
    seconds: dict[int, bytes] = {}
    fractions: dict[int, bytes] = {}
    changed: set[int] = set()
    for times in tables.times():
        if before is not None:
            at = times.first
            old = before.seconds.pop(at, b""), before.fractions.pop(at, b"")
            changed.update(filter(tables.has_names, _differing(old, times)))
            times = _shared(old, times)  # noqa: PLW2901
        seconds[times.first], fractions[times.first] = times.seconds, times.fractions
    found = Baseline(
        identity=identity(tables), seconds=seconds, fractions=fractions, suspects=frozenset()
    )
    return found, frozenset(changed)


def _differing(old: tuple[bytes, bytes], times: Times) -> Iterator[int]:
    for was, now in zip(old, (times.seconds, times.fractions), strict=True):
        yield from (times.first + slot for slot in differing_words(was, now))


def _shared(old: tuple[bytes, bytes], new: Times) -> Times:
    """Return the old objects where they are equal, so that two scans share their memory."""
    seconds = old[0] if old[0] == new.seconds else new.seconds
    fractions = old[1] if old[1] == new.fractions else new.fractions
    return Times(new.first, seconds, fractions)


def differing_words(old: bytes, new: bytes) -> Iterator[int]:
    """Yield the places of 32-bit words in new that differ from old, or that old does not have."""
    if old == new:
        return
    for start in range(0, len(new), STEP):
        left, right = old[start : start + STEP], new[start : start + STEP]
        if left != right:
            for at in range(0, len(right), 4):
                if left[at : at + 4] != right[at : at + 4]:
                    yield (start + at) // 4


def _maybe_recent(seen: Baseline, recent: CtimeWindow) -> Iterator[int]:
    """Yield the inodes whose ctime may be in the window, by their seconds alone."""
    low, high = recent.seconds()
    for first, words in seen.seconds.items():
        for slot, second in enumerate(array("I", words)):
            if (second - low) & 0xFFFFFFFF <= high - low:  # 32 bits that will wrap in 2038
                yield first + slot
