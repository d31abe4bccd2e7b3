"""A followed file on real file systems: the pause reads little, its list is of the instant."""

from __future__ import annotations

import fcntl
import os
import struct
import time
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from holdstill.board import block_trace, followed_file, piece_digests
from holdstill.board.spool import Spool
from holdstill.board.written_blocks import WrittenBlocks
from holdstill.model import pieces
from support import database_writer, programs, scribbler
from support.traced_volume import MIB, Volume, frozen, volume

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from holdstill.board.followed_file import FollowedFile
    from holdstill.model.pieces import PieceList

SIZE = 64 * MIB


@dataclass
class Followed:
    """A file, what follows it, the memory of the pause, and the pieces that rounds handed on."""

    path: Path
    handle: int
    file: FollowedFile
    spool: Spool
    sent: set[bytes]

    def hot_round(self, written: WrittenBlocks) -> int:
        """Do a round; return how many pieces it read."""
        digests = [piece.digest for piece in self.file.hot_round(written)]
        self.sent.update(digests)
        return len(digests)

    def frozen_list(self) -> PieceList:
        """Read the whole file while it is frozen: what the list must be."""
        size = os.fstat(self.handle).st_size
        return pieces.of_reader(
            size, pieces.PIECE, lambda start, length: os.pread(self.handle, length, start)
        )


@contextmanager
def followed(one: Volume, path: Path, folder: Path, memory: Path) -> Iterator[Followed]:
    with ExitStack() as undo:
        handle = os.open(path, os.O_RDONLY)
        undo.callback(os.close, handle)
        digests = undo.enter_context(piece_digests.opened(folder))
        spool = undo.enter_context(Spool(memory, 2 * SIZE))
        file = followed_file.FollowedFile(handle, one.map_of(handle), digests)
        yield Followed(path, handle, file, spool, set())


@pytest.fixture
def memory(tmp_path: Path) -> Path:
    (tmp_path / "memory").mkdir()
    return tmp_path / "memory"


@pytest.mark.parametrize("journal", ["delete", "wal"])
@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
def test_the_pause_reads_what_a_database_changed_and_the_list_is_the_instants(
    tmp_path: Path, memory: Path, kind: str, journal: str
) -> None:
    with volume(tmp_path, kind) as one:
        path = one.at / "readings.db"
        database_writer.fill(path, SIZE, journal)
        with (
            database_writer.writing(path, journal),
            followed(one, path, tmp_path, memory) as file,
        ):
            first = file.hot_round(one.written())
            time.sleep(block_trace.GRACE * 1.5)
            rounds = [file.hot_round(one.written()) for _ in range(2)]
            with one.trace.alone(), frozen(one.at):
                taken = file.file.spool_frozen(one.written(), file.spool)
                right = file.frozen_list()

            found = file.file.listed(taken)

            assert found.digest() == right.digest()
            assert first * pieces.PIECE >= SIZE  # the first round reads it whole
            assert rounds[-1] < first / 4
            assert file.spool.used < SIZE / 4
            in_spool = {right_piece_at(right, n * pieces.PIECE) for n in taken.numbers}
            clean = {digest for digest, _ in right.pieces()} - in_spool
            assert clean <= file.sent  # the keeper has all else


def right_piece_at(listed: PieceList, offset: int) -> bytes:
    return next(p.digest for p in listed.parts() if p.offset <= offset < p.offset + p.length)


def test_after_a_loss_everything_is_read_again(tmp_path: Path, memory: Path) -> None:
    with volume(tmp_path, "ext4") as one:
        path = one.at / "readings.db"
        path.write_bytes(os.urandom(2 * MIB))
        with followed(one, path, tmp_path, memory) as file:
            file.hot_round(one.written())
            with one.trace.alone(), frozen(one.at):
                taken = file.file.spool_frozen(WrittenBlocks(0), file.spool)

            assert len(taken.numbers) == 2 * MIB // pieces.PIECE
            assert file.spool.used >= 2 * MIB


def cloned(source: int, target: int, offset: int, length: int, to: int) -> None:
    """Have a range of one open file share the blocks of another one (ioctl_ficlonerange(2))."""
    fcntl.ioctl(target, scribbler.FICLONERANGE, struct.pack("qQQQ", source, offset, length, to))


PLACE, LENGTH = 3 * MIB, 5 * pieces.PIECE


def same_file(one: Volume, handle: int) -> Callable[[], None]:
    cloned(handle, handle, PLACE, LENGTH, 10 * MIB)
    return lambda: cloned(handle, handle, 10 * MIB, LENGTH, PLACE)


def other_file(one: Volume, handle: int) -> Callable[[], None]:
    other = os.open(one.at / "other", os.O_RDWR | os.O_CREAT, 0o600)
    cloned(handle, other, 0, 0, 0)

    def back() -> None:
        cloned(other, handle, PLACE, LENGTH, PLACE)
        os.close(other)
        (one.at / "other").unlink()

    return back


@pytest.mark.parametrize("kind", ["xfs", "btrfs"])
@pytest.mark.parametrize("share", [same_file, other_file])
def test_blocks_that_are_given_back_by_whoever_shares_them(
    tmp_path: Path,
    memory: Path,
    kind: str,
    share: Callable[[Volume, int], Callable[[], None]],
) -> None:
    with volume(tmp_path, kind) as one, ExitStack() as undo:
        path = one.at / "readings.db"
        path.write_bytes(os.urandom(SIZE // 2))
        handle = os.open(path, os.O_RDWR)
        undo.callback(os.close, handle)
        os.fsync(handle)
        give_back = share(one, handle)
        one.written()
        time.sleep(block_trace.GRACE * 1.5)  # or what was just written counts as written once more
        with followed(one, path, tmp_path, memory) as file:
            os.pwrite(handle, os.urandom(LENGTH), PLACE)  # in memory, over what is shared
            file.hot_round(one.written())
            give_back()
            with one.trace.alone(), frozen(one.at):
                taken = file.file.spool_frozen(one.written(), file.spool)
                right = file.frozen_list()

            assert file.file.listed(taken).digest() == right.digest()


def test_a_snapshot_has_all_be_read_again(tmp_path: Path, memory: Path) -> None:
    with volume(tmp_path, "btrfs") as one, ExitStack() as undo:
        path = one.at / "readings.db"
        path.write_bytes(os.urandom(SIZE // 2))
        handle = os.open(path, os.O_RDWR)
        undo.callback(os.close, handle)
        os.fsync(handle)
        with followed(one, path, tmp_path, memory) as file:
            file.hot_round(one.written())
            rounds = [file.hot_round(one.written())]
            before = one.at / "before"
            # The kernel writes nothing out between these two: what is stored after the snapshot's
            # own flush and before its commit is the case, which a test cannot time. It is the same
            # with the old blocks given back to what was read as new ones.
            os.pwrite(handle, os.urandom(LENGTH), PLACE)
            rounds.append(file.hot_round(one.written()))
            programs.run("btrfs", "subvolume", "snapshot", one.at, before)
            rounds.append(file.hot_round(one.written()))
            with one.trace.alone(), frozen(one.at):
                taken = file.file.spool_frozen(one.written(), file.spool)
                right = file.frozen_list()

            assert file.file.listed(taken).digest() == right.digest()
            count = SIZE // 2 // pieces.PIECE
            assert rounds[0] == 0
            assert rounds[-1] == count  # whatever was read before it may have been given back
            assert len(taken.numbers) == count  # the snapshot has all of it
