"""A large file that is followed by trace and map, so that a pause reads only what changed in it.

    look        note which pieces must be read again
    hot round   look; read, hash, hand on each of them
    stage       look; read each of them into memory, where the pause adds what comes after
    pause       look once more; the pieces that must be read again go to the spool, nothing else
    after it    hash these pieces in the spool: all digests together are those of the instant
    next night  go on from there, if the trace ran on meanwhile

The trace is asked before each look (`changed_pieces` says why the result is right).
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, NamedTuple

from holdstill.board.changed_pieces import (
    FileAsRead,
    Look,
    PieceRead,
    PiecesRead,
    Why,
    Written,
    judged,
)
from holdstill.board.extent_map import part_of
from holdstill.model import pieces
from holdstill.system import file_status, files

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from holdstill.board.extent_map import Extent, ExtentMap
    from holdstill.board.piece_digests import PieceDigests
    from holdstill.board.spool import Spool, Spooled, StagedContent
    from holdstill.model.pieces import PieceList


class Piece(NamedTuple):
    """A piece as it was read.

    Attributes:
        digest: its SHA-256, b"" if it is all zeros.
    """

    offset: int
    data: bytes
    digest: bytes


class FrozenPieces(NamedTuple):
    """What a pause took of a file.

    Attributes:
        size: bytes of the file at the instant.
        numbers: of the pieces that are in the spool.
        late: which of them the pause copied itself.
        spooled: the file there, with holes for all other pieces.
    """

    size: int
    numbers: tuple[int, ...]
    late: tuple[int, ...]
    spooled: Spooled


class _Staged(NamedTuple):
    """What was read into memory just before the pause: it counts if the pause goes on from it.

    Attributes:
        known: what is known of the file with that.
        numbers: of the pieces.
        content: the file in memory.
    """

    known: FileAsRead
    numbers: frozenset[int]
    content: StagedContent


class _Instant(NamedTuple):
    """The last look, the map that it was judged by, and what was known before it."""

    known: FileAsRead
    look: Look
    extents: Sequence[Extent]


class FollowedFile:
    """One file, from the first hot round to after the pause.

    Args:
        handle: the open file; the caller closes it.
        its_map: says where the file lies.
        digests: of its pieces; empty, or those of what is known.
        known: what an earlier run has read of it, None for nothing.
        as_listed: SHA-256 of the list of what is known.
    """

    def __init__(
        self,
        handle: int,
        its_map: ExtentMap,
        digests: PieceDigests,
        known: FileAsRead | None = None,
        as_listed: bytes = b"",
    ) -> None:
        self._handle, self._map, self._digests = handle, its_map, digests
        self._known = known or FileAsRead(digests.piece)
        self._is_begun = known is not None
        self._staged: _Staged | None = None
        self._at_last: _Instant | None = None
        self._list = as_listed

    @property
    def known(self) -> FileAsRead:
        """What is known of what was read."""
        return self._known

    @property
    def is_unread(self) -> bool:
        """Whether nothing of it was read yet, so that a round reads it whole."""
        return not self._is_begun

    @property
    def dirty_bytes(self) -> int:
        """Bytes of the pieces that had to be read again at the last look."""
        return len(self._known.doubts) * self._digests.piece

    def look(self, written: Written) -> None:
        """Note what must be read again, and read nothing; looks add up."""
        self._staged = None  # it knows nothing of what this look is told
        self._known = self._known.after(self._look(self._known, written)[0], self._none_read())

    def is_read_as(self, digest: bytes) -> bool:
        """Whether the list with this digest is that of all that was read, and read last."""
        return bool(digest) and digest == self._list

    def hot_round(self, written: Written) -> Iterator[Piece]:
        """Read what must be read again, piece by piece, and yield it; exhaust the iterator.

        Args:
            written: what the trace told, asked for before this round.

        Raises:
            OSError: the card does not give a piece back.
        """
        self._staged = None  # as in a look
        look, _ = self._look(self._known, written)
        files.wait_for_writers(self._handle)  # what was told may not be in the page cache yet
        self._is_begun = True
        self._list = b"" if look.dirty else self._list
        reads = self._none_read()
        for number in look.dirty:
            data, read = self._read(number)
            reads.add(number, read)
            digest = pieces.piece_digest(data)
            self._digests.note(number, digest)
            if data:
                yield Piece(number * self._digests.piece, data, digest)
        self._known = self._known.after(look, reads)

    def stage(self, written: Written, spool: Spool, is_over: Callable[[], bool]) -> None:
        """Just before the pause: copy to memory what must be read again by now.

        What a hot round reads is sent before the next look, and much may be written meanwhile;
        what is staged is sent after the pause.

        Args:
            written: what the trace told, asked for before this.
            spool: receives it.
            is_over: whether the time for it is; the rest is left to the pause.

        Raises:
            SpoolFullError: it does not fit, so that the pause could not take it either.
            OSError: the card does not give a piece back.
        """
        look, _ = self._look(self._known, written)
        files.wait_for_writers(self._handle)  # as in a hot round
        reads = self._none_read()

        def parts() -> Iterator[tuple[int, bytes]]:
            for number, why in look.dirty.items():
                if is_over():
                    return
                if why is not Why.SHARED:  # else the pause has to read it again in any case
                    data, read = self._read(number)
                    reads.add(number, read)
                    yield number * self._digests.piece, data

        content = spool.stage(look.size, parts())
        known = self._known.after(look, reads)
        self._staged = _Staged(known, frozenset(reads.numbers), content)

    def spool_frozen(self, written: Written, spool: Spool) -> FrozenPieces:
        """Inside the pause: copy to memory what must be read again. Only reads.

        It goes on from what was staged, if anything.

        Raises:
            SpoolFullError: it does not fit.
            ChangedError: the file is not held still.
            OSError: the card does not give a piece back.
        """
        staged, self._staged = self._staged, None
        known = staged.known if staged else self._known
        look, extents = self._look(known, written)
        spans = [self._span(number, look.size) for number in look.dirty]
        content = staged.content if staged else None
        spooled = spool.copy_ranges(self._handle, look.size, spans, content)
        self._at_last = _Instant(known, look, extents)
        early = staged.numbers if staged else frozenset()
        count = -(-look.size // self._digests.piece)
        numbers = sorted(early.union(look.dirty).intersection(range(count)))
        return FrozenPieces(look.size, tuple(numbers), tuple(look.dirty), spooled)

    def check_written(self) -> None:
        """After the pause: check that the disk took all that was written to the file.

        What it does not take is thrown away, and what was there before may show again.

        Raises:
            OSError: it did not.
        """
        os.fdatasync(self._handle)

    def listed(self, taken: FrozenPieces) -> PieceList:
        """Return the pieces of the instant, after the pause; those in the spool are hashed now."""
        assert self._at_last is not None  # noqa: S101  it was taken
        known, look, extents = self._at_last
        reads, late = self._none_read(), frozenset(taken.late)
        with taken.spooled.path.open("rb", buffering=0) as file:
            for number in taken.numbers:
                start, end = self._span(number, taken.size)
                data = os.pread(file.fileno(), end - start, start)
                self._digests.note(number, pieces.piece_digest(data))
                if number in late:  # it stood still
                    there = part_of(extents, start, start + self._digests.piece)
                    reads.add(number, judged(start, data, there, there))
        self._known = known.after(look, reads)
        return self._noted(taken.size)

    def listed_as_read(self, size: int) -> PieceList:
        """Return the pieces as they were read: right only if it was still while all were."""
        return self._noted(size)

    def _noted(self, size: int) -> PieceList:
        listed = self._digests.listed(size)
        self._list = listed.digest()
        return listed

    def _look(self, known: FileAsRead, written: Written) -> tuple[Look, Sequence[Extent]]:
        """Look, after the trace was asked; return with it the map that it was judged by."""
        size = file_status.of_handle(self._handle).st_size
        extents = self._map.extents(0, max(size, 1))
        return known.look(extents, written, size), extents

    def _none_read(self) -> PiecesRead:
        return PiecesRead(self._digests.piece)

    def _read(self, number: int) -> tuple[bytes, PieceRead]:
        start = number * self._digests.piece
        end = start + self._digests.piece
        before, is_shared = self._map.extents(start, end), self._map.is_shared(start, end)
        data = os.pread(self._handle, end - start, start)
        is_shared = self._map.is_shared(start, end) or is_shared
        after = self._map.extents(start, end)
        return data, judged(start, data, before, after, is_shared=is_shared)

    def _span(self, number: int, size: int) -> tuple[int, int]:
        start = number * self._digests.piece
        return start, min(start + self._digests.piece, size)
