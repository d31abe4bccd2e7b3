"""Nights in a row of one file that is changed in every way between and during them.

The witness is a whole read of the frozen file, in the same freeze.
"""

from __future__ import annotations

import os
import tempfile
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import all_day, followed_files, mounts
from holdstill.board.spool import Spool
from holdstill.model import pieces
from holdstill.system.clocks import SystemClock
from support import loop, programs, scribbler
from support.scribbler import BLOCK, COLLAPSE, INSERT, Scribbler
from support.traced_volume import MIB, TABLE, frozen

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.all_day import AllDay
    from holdstill.board.mounts import Mount
    from holdstill.model.pieces import PieceList

pytestmark = pytest.mark.timeout(180)
SIZE = 20 * MIB
MOST = 24 * MIB
PART = 2
NIGHTS = 8


class Changes(Scribbler):
    """Changes a file that stays large enough to be followed."""

    def change(self, count: int) -> None:
        for _ in range(count):
            self.step()
        if os.stat(self.path).st_size < pieces.PIECED_FROM:  # noqa: PTH116 - its path is words
            os.truncate(self.path, SIZE)

    def resize(self) -> None:
        size = self.size + self.dice.randrange(-300_000, 300_000)
        os.ftruncate(self.handle, min(max(size, pieces.PIECED_FROM), MOST))

    def shift(self) -> None:
        place, length = self.blocks()
        self.fallocate(INSERT, place, length)
        if self.dice.random() < 0.7:
            other = place if self.dice.random() < 0.5 else self.blocks()[0] // BLOCK * BLOCK
            self.fallocate(COLLAPSE, other, length)

    def lengthen(self) -> None:
        os.pwrite(self.handle, self.data(), min(self.size, MOST))


LEFT_OUT = {
    Scribbler.append, Scribbler.truncate, Scribbler.collapse, Scribbler.insert,
    Scribbler.insert_and_collapse, Scribbler.rename_over, Scribbler.defragment,
}  # fmt: skip
"""They keep a file small, and those above stand for them; or take long for a large one."""


@pytest.fixture
def operations() -> Iterator[None]:
    before = list(scribbler.OPERATIONS)
    scribbler.OPERATIONS[:] = [one for one in before if one not in LEFT_OUT]
    ours = (Changes.resize, Changes.shift, Changes.lengthen)
    scribbler.OPERATIONS.extend(ours)  # type: ignore[arg-type]  # only Changes draws from it
    yield
    scribbler.OPERATIONS[:] = before


@contextmanager
def mounted(folder: Path, kind: str) -> Iterator[Mount]:
    image = loop.partitioned_image(folder / "image", size=400 * MIB, script=TABLE)
    with loop.attached(image) as disk:
        programs.run(f"mkfs.{kind}", "-q", "-F" if kind == "ext4" else "-f", disk.partition(1))
        with loop.mounted(disk.partition(1), folder / "at", kind=kind, options="noatime") as at:
            (found,) = [one for one in mounts.read_mounts() if str(one.point) == str(at)]
            yield found


class Nights:
    """Takes what captures take of one file.

    Args:
        kept: has what is kept from one to the next; None, and what a capture has listed is assumed
            in the next, as of a file that stood still.
    """

    def __init__(self, mount: Mount, folder: Path, kept: AllDay | None) -> None:
        self._mount, self._folder, self._kept = mount, folder, kept
        self._lists: dict[bytes, PieceList] = {}
        self._number = 0

    def take(self, path: Path, changes: Changes, memory: Path) -> tuple[int, bool]:
        """Take one; return how many pieces the first round read, and whether all is exact."""
        self._number += 1
        frozen_parts = {PART: self._mount}
        clock = SystemClock()
        with (
            path.open("rb", buffering=0) as opened,
            followed_files.opened(frozen_parts, self._folder, clock, self._kept) as followed,
            Spool(memory, 2 * MOST) as spool,
        ):
            handle = opened.fileno()
            for file in followed.remembered(f"capture {self._number - 1}"):
                followed.resume(handle, file, partial(self._lists.get, file.digest))
            part = followed.parts[PART]
            if self._kept is None and self._lists:
                digest, listed = list(self._lists.items())[-1]
                part.assume(handle, digest, lambda: listed)
                part.confirm(lambda _: digest)
                changes.change(6)
            followed.look()
            file_now = part.follow(handle)
            assert file_now is not None
            read = len(list(part.hot_round(file_now)))
            changes.change(4)
            followed.look()
            list(part.hot_round(file_now))
            changes.change(2)
            with frozen(Path(str(self._mount.point))), followed.alone():
                followed.look_frozen()
                taken = part.spool_frozen(handle, spool)
                size = os.fstat(handle).st_size
                wanted = pieces.of_reader(
                    size, pieces.PIECE, lambda at, length: os.pread(handle, length, at)
                )
            assert taken is not None
            listed = file_now.listed(taken.taken)
            self._lists[listed.digest()] = listed
            followed.remember(f"capture {self._number}", {PART}, lambda _, __: listed.digest())
        return read, listed == wanted


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
@pytest.mark.parametrize("seed", [0, pytest.param(1, marks=pytest.mark.slow)])
@pytest.mark.usefixtures("operations")
def test_every_night_lists_the_frozen_file_and_reads_little_of_it(
    tmp_path: Path, kind: str, seed: int
) -> None:
    read = []
    with (
        mounted(tmp_path, kind) as mount,
        all_day.opened(SystemClock()) as kept,
        tempfile.TemporaryDirectory(dir="/dev/shm") as memory,
    ):
        path = tmp_path / "at" / "readings.db"
        path.write_bytes(os.urandom(SIZE))
        nights = Nights(mount, tmp_path, kept)
        with closing(Changes(os.fspath(path), seed, kind)) as changes:
            for _ in range(NIGHTS):
                pieces_read, is_exact = nights.take(path, changes, Path(memory))
                assert is_exact
                read.append(pieces_read)
                changes.change(6)
    assert read[0] == SIZE // pieces.PIECE
    assert min(read[1:]) < SIZE // pieces.PIECE / 2


@pytest.mark.parametrize(
    ("kind", "seed"),
    [
        ("ext4", 2),
        ("xfs", 2),
        # With others, its blocks are shared with a clone that is deleted, which takes half a
        # minute: nothing of it may be assumed meanwhile.
        ("btrfs", 0),
        pytest.param("ext4", 3, marks=pytest.mark.slow),
        pytest.param("xfs", 3, marks=pytest.mark.slow),
    ],
)
@pytest.mark.usefixtures("operations")
def test_what_is_assumed_of_a_file_that_stood_still_is_right_for_all_that_is_done_to_it_then(
    tmp_path: Path, kind: str, seed: int
) -> None:
    read = []
    with mounted(tmp_path, kind) as mount, tempfile.TemporaryDirectory(dir="/dev/shm") as memory:
        path = tmp_path / "at" / "readings.db"
        path.write_bytes(os.urandom(SIZE))
        nights = Nights(mount, tmp_path, None)
        with closing(Changes(os.fspath(path), seed, kind)) as changes:
            for _ in range(NIGHTS):
                pieces_read, is_exact = nights.take(path, changes, Path(memory))
                assert is_exact
                read.append(pieces_read)
    assert min(read[1:]) < SIZE // pieces.PIECE / 2
