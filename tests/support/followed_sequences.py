"""Random work on large files that are followed as a capture follows them, judged byte by byte.

A sequence is one file and a process that scribbles on it, before, while and after it is read in
hot rounds, and when it is frozen. Several of them share a file system, a trace and a freeze, so
that one takes the blocks that another one gives back. What the product then has, of the rounds and
of the memory of the pause, must be the file as it was frozen, which is read whole in the freeze.

It is a program as well, for a board's own card: argv is FOLDER KIND FIRST END NOTES; its answer is
the tally in JSON.
"""

from __future__ import annotations

import hashlib
import json
import mmap
import os
import random
import sys
import tempfile
import time
from collections import Counter
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from holdstill.board import block_trace, followed_files, mounts, traced_disk
from holdstill.board.block_trace import BlockTrace
from holdstill.board.followed_files import FollowedFiles
from holdstill.board.spool import Spool
from holdstill.board.written_blocks import WrittenBlocks
from holdstill.model import pieces
from holdstill.model.paths import BoardPath
from holdstill.system import tracefs
from holdstill.system.clocks import SystemClock
from support import frozen_witness
from support.traced_volume import MIB, frozen, scribbling

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.board.followed_files import FileInPause, FollowedPart
    from holdstill.board.traced_disk import Disk

AT_ONCE = 4
"""Files of one freeze."""
PART = 2
SIZE = 17 * MIB
NOISE = os.urandom(SIZE)
MEMORY = "/dev/shm"  # noqa: S108  folders there are made by tempfile
PAUSES = (0, 0.002, 0.02, 0.1, 0.2)
"""The most seconds between two operations of a process."""


@dataclass
class Tally:
    """What some sequences came to.

    Attributes:
        whole: files that were not followed at the instant, so that they are copied whole.
        pieces, taken: of the others, all of them and those that the pause took.
        noticed: what the product says of each run's trace, "" if all is well.
        wrong: one line for each file of which the product has other bytes.
        done: how often the file systems did which operation.
    """

    sequences: int = 0
    whole: int = 0
    noticed: list[str] = field(default_factory=list)
    pieces: int = 0
    taken: int = 0
    wrong: list[str] = field(default_factory=list)
    done: Counter[str] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        """Count what others came to as well."""
        self.sequences += other.sequences
        self.whole += other.whole
        self.noticed += other.noticed
        self.pieces += other.pieces
        self.taken += other.taken
        self.wrong += other.wrong
        self.done.update(other.done)


class Phase(Enum):
    """Where in a sequence the trace loses something."""

    BEGIN = "before the first look"
    ROUND = "between two looks"
    LAST = "between the last look and the freeze"


class Loss(Enum):
    """How it does."""

    OFF = "somebody switches it off for a moment, in which something is written"
    OVERRUN = "more is written at once than its buffers hold"


class BlindTrace(BlockTrace):
    """A trace that never saw a write: the control."""

    def __init__(self, disk: Disk) -> None:
        self._told = {disk: WrittenBlocks(traced_disk.size_of(disk))}

    def written(self) -> dict[Disk, WrittenBlocks]:
        return self._told

    @contextmanager
    def alone(self) -> Iterator[None]:
        yield


class Instant(NamedTuple):
    """A file as it was frozen, and what the pause took of it; None if it is copied whole."""

    path: Path
    content: bytes
    found: FileInPause | None


class Batch:
    """Some files of one run, from its begin to after its pause."""

    def __init__(self, at: Path, followed: FollowedFiles) -> None:
        self._at, self._followed = at, followed
        self._part: FollowedPart = followed.parts[PART]
        self._sent: dict[bytes, bytes] = {}

    def hot_round(self, paths: Sequence[Path]) -> None:
        """Look, and read what is dirty, as `FollowedUploader` does."""
        self._followed.look()
        for path in paths:
            with _opened(path) as handle:
                if handle >= 0 and (file := self._part.follow(handle)):
                    for piece in self._part.hot_round(file):
                        self._sent[piece.digest] = piece.data

    def freeze(self, paths: Sequence[Path], spool: Spool) -> list[Instant]:
        """Take what must be read again, and read everything whole beside it."""
        with frozen(self._at), self._followed.alone():
            self._followed.look_frozen()
            return [*self._instants(paths, spool)]

    def _instants(self, paths: Sequence[Path], spool: Spool) -> Iterator[Instant]:
        for path in paths:
            with _opened(path) as handle:
                if handle >= 0:
                    found = self._part.spool_frozen(handle, spool)
                    yield Instant(path, path.read_bytes(), found)

    def judge(self, instant: Instant, tally: Tally) -> None:
        """Compare what the product has with what there was; after the thaw."""
        if instant.found is None:
            tally.whole += 1
            return
        taken = instant.found.taken
        tally.pieces += -(-taken.size // pieces.PIECE)
        tally.taken += len(taken.late)
        ours = self._assembled(instant.found)
        if hashlib.sha256(ours).digest() != hashlib.sha256(instant.content).digest():
            tally.wrong.append(f"{instant.path.name}: {_difference(ours, instant.content)}")

    def _assembled(self, found: FileInPause) -> bytes:
        """Put a file together from what rounds have sent and from the memory of the pause."""
        spooled = found.taken.spooled.path.read_bytes()
        fresh = set(found.taken.numbers)
        listed = found.file.listed(found.taken)
        out = bytearray()
        for part in listed.parts():
            if not part.digest:
                out += bytes(part.length)
            elif part.offset // listed.piece in fresh:
                out += spooled[part.offset : part.offset + part.length]
            else:
                out += self._sent[part.digest]
        return bytes(out)


def _difference(ours: bytes, right: bytes) -> str:
    size = f"{len(ours)} bytes, not {len(right)}" if len(ours) != len(right) else ""
    starts = range(0, len(right), pieces.PIECE)
    wrong = [
        at // pieces.PIECE
        for at in starts
        if ours[at : at + pieces.PIECE] != right[at : at + pieces.PIECE]
    ]
    return f"{size} wrong pieces {wrong[:8]}, {len(wrong)} of {len(starts)}"


@contextmanager
def _opened(path: Path) -> Iterator[int]:
    """Open a file; -1 while it is being made again."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOATIME)
    except FileNotFoundError:
        yield -1
        return
    try:
        yield handle
    finally:
        os.close(handle)


def run(
    at: Path,
    kind: str,
    seeds: range,
    folder: Path,
    *,
    blind: bool = False,
    lost: tuple[Phase, Loss] | None = None,
) -> Tally:
    """Do one sequence for each seed on a mounted file system.

    Args:
        folder: on another one, for what the product notes.
        blind: whether the block trace is ignored, which must go wrong.
        lost: what the trace loses, and when.
    """
    tally = Tally()
    mount = mounts.mount_of(BoardPath(os.fsencode(at)), mounts.read_mounts())
    assert mount is not None
    for first in seeds[::AT_ONCE]:
        files = min(AT_ONCE, seeds.stop - first)
        with (
            followed_files.opened({PART: mount}, folder, SystemClock()) as opened,
            tempfile.TemporaryDirectory(dir=MEMORY) as memory,
            Spool(Path(memory), AT_ONCE * 2 * SIZE) as spool,
        ):
            followed = _blinded(opened) if blind else opened
            _batch(at, kind, range(first, first + files), followed, spool, tally, lost)
    return tally


def _blinded(followed: FollowedFiles) -> FollowedFiles:
    place = followed.parts[PART].place
    assert place is not None
    return FollowedFiles(BlindTrace(place.disk), followed.parts)


def _batch(
    at: Path,
    kind: str,
    seeds: range,
    followed: FollowedFiles,
    spool: Spool,
    tally: Tally,
    lost: tuple[Phase, Loss] | None,
) -> None:
    def lose(phase: Phase) -> None:
        if lost and lost[0] is phase:
            _lose(lost[1], at / "burst")

    dice = random.Random(seeds.start)  # noqa: S311 - dice, no secret
    batch = Batch(at, followed)
    paths = [at / f"file-{n}" for n in range(len(seeds))]
    for path in paths:
        _prepare(path, dice)
    with ExitStack() as undo:
        done = [
            undo.enter_context(scribbling(path, seed, dice.choice(PAUSES), kind))
            for path, seed in zip(paths, seeds, strict=True)
        ]
        lose(Phase.BEGIN)
        for _ in range(dice.randint(1, 3)):
            batch.hot_round(paths)
            lose(Phase.ROUND)
            time.sleep(dice.choice((0, 0, 0.1, 0.6)) * dice.random())
        if dice.random() < 0.7:
            followed.look()
        if dice.random() < 0.6:
            followed.look()
            for inode in followed.parts[PART].inodes():
                followed.parts[PART].stage(inode, spool, lambda: False)
            time.sleep(dice.choice((0, 0.01, 0.3)) * dice.random())
        lose(Phase.LAST)
        instants = batch.freeze(paths, spool)
    for instant in instants:
        batch.judge(instant, tally)
    for one in done:
        tally.done.update(one)
    tally.sequences += len(seeds)
    tally.noticed.append(followed.parts[PART].way.why)


def _lose(how: Loss, burst: Path) -> None:
    """Make this process's trace lose something, as anybody with root can."""
    with tracefs.opened() as top:
        (mine,) = frozen_witness.mine(top)
        if how is Loss.OFF:
            tracefs.write(top, f"instances/{mine}/tracing_on", "0")
            _write_blocks(burst, 1)
            tracefs.write(top, f"instances/{mine}/tracing_on", "1")
        else:
            tracefs.write(top, f"instances/{mine}/buffer_size_kb", "8")
            _write_blocks(burst, 3000)
            tracefs.write(top, f"instances/{mine}/buffer_size_kb", str(block_trace.BUFFER_KIB))


def _write_blocks(path: Path, count: int) -> None:
    """Write every other block of 4 KiB past the page cache, one request each."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_DIRECT, 0o600)
    with mmap.mmap(-1, mmap.PAGESIZE) as block:
        for n in range(count):
            os.pwritev(handle, [block], 2 * n * mmap.PAGESIZE)
    os.close(handle)


def _prepare(path: Path, dice: random.Random) -> None:
    """Make a file, or leave one as the sequence before has left it, with all its fragments."""
    if path.exists() and dice.random() < 0.6 and followed_files.can_be_followed(path.stat()):
        return
    at = dice.randrange(SIZE)
    path.write_bytes((NOISE[at:] + NOISE[:at])[: SIZE - dice.randrange(MIB)])
    if dice.random() < 0.5:
        os.sync()


def main() -> None:
    at, kind, first, end, notes = sys.argv[1:]
    tally = run(Path(at), kind, range(int(first), int(end)), Path(notes))
    sys.stdout.write(json.dumps(vars(tally)))


if __name__ == "__main__":
    main()
