"""Captures in a row by one process, as the daemon's: a night reads only what changed in a day.

The witness is a whole read of the frozen file, in the same freeze.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from support import boards, captures_in_a_row, programs
from support.boards import Board, Kept, holdstill

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from support.captures_in_a_row import Captures

pytestmark = pytest.mark.timeout(300)
MIB = 1 << 20
SIZE = 40 * MIB
LITTLE = 3 * MIB
"""Bytes that a night may read of it: a few pieces, and what finding them takes."""
NAME = "readings.db"


@dataclass(frozen=True)
class Nights:
    """A board with a large file, its keeper, and what takes captures."""

    board: Board
    kept: Kept
    folder: Path
    captures: Captures

    @property
    def file(self) -> Path:
        return self.board.root / "srv" / NAME

    def write(self, *places: int) -> None:
        """Write a little at some places of the file, and leave nothing of it in memory."""
        handle = os.open(self.file, os.O_RDWR)
        for place in places:
            os.pwrite(handle, os.urandom(700), place)
        os.fsync(handle)
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(handle)

    def fetched(self) -> int:
        """Return the bytes of it that were fetched from the card since `write` (fincore(1))."""
        words = ("--bytes", "--noheadings", "--output", "RES")
        return int(programs.run("fincore", *words, self.file))

    def got(self) -> str:
        """Get the newest capture's file; return its SHA-256."""
        to = self.folder / "got"
        holdstill("get", "pier-3", "/srv", "--to", to, "--store", self.kept.store)
        digest = hashlib.sha256((to / NAME).read_bytes()).hexdigest()
        shutil.rmtree(to)
        return digest


@contextmanager
def nights(folder: Path, kind: str = "ext4", more: str = "") -> Iterator[Nights]:
    with boards.running(folder, size=384 * MIB, kind=kind) as board:
        file = board.root / "srv" / NAME
        file.parent.mkdir()
        file.write_bytes(os.urandom(SIZE))
        with (
            boards.kept(folder, board, more=more) as kept,
            captures_in_a_row.running(kept.settings, file) as captures,
        ):
            one = Nights(board, kept, folder, captures)
            one.write(0)
            captures.take()
            one.write(5 * MIB)
            taken = captures.take()
            # The first has not followed what stood still; on btrfs no trace is kept.
            assert taken.files == (0 if kind == "btrfs" else 1)
            one.write()
            yield one


def is_whole(hashed: int) -> bool:
    return hashed >= SIZE


@pytest.mark.parametrize("kind", ["ext4", pytest.param("xfs", marks=pytest.mark.slow)])
def test_a_night_reads_what_changed_since_the_last_and_captures_what_was_frozen(
    tmp_path: Path, kind: str
) -> None:
    with nights(tmp_path, kind) as one:
        for places in ((7 * MIB, 33 * MIB + 5), (SIZE,), ()):  # in it, behind it, nowhere
            one.write(*places)
            os.utime(one.file)

            taken = one.captures.take()

            assert taken.how == ("traced", "")
            assert taken.hashed < LITTLE
            assert one.fetched() < LITTLE
            assert taken.files == 1
            assert one.got() == hashlib.sha256(one.file.read_bytes()).hexdigest()
            one.write()
        one.write(20 * MIB)
        assert one.got() != one.captures.take("witness").frozen == one.got()


def test_what_the_trace_lost_in_a_day_makes_it_read_whole(tmp_path: Path) -> None:
    with nights(tmp_path) as one:
        one.captures.blind()

        taken = one.captures.take("witness")

        assert is_whole(taken.hashed)
        assert taken.how[0] == "traced"
        assert "the disk wrote more than was traced" in taken.how[1]
        assert one.got() == taken.frozen


@pytest.mark.parametrize("kind", ["ext4", "btrfs"])
def test_what_did_not_change_is_not_read_for_the_pause_whatever_was_lost_or_moved(
    tmp_path: Path, kind: str
) -> None:
    with nights(tmp_path, kind) as one:
        if kind == "ext4":
            one.captures.blind(one.file.with_name("another"))
        else:
            top = one.board.root
            programs.run("btrfs", "subvolume", "snapshot", "-r", top, top / "yesterday")

        one.captures.take()

        assert one.fetched() < LITTLE
        one.write(11 * MIB)
        assert one.captures.take("witness").frozen == one.got()


def test_another_file_of_that_name_is_read_whole(tmp_path: Path) -> None:
    with nights(tmp_path) as one:
        new = one.file.with_name("new")
        shutil.copyfile(one.file, new)
        new.rename(one.file)
        one.write(MIB)

        taken = one.captures.take("witness")

        assert is_whole(taken.hashed)
        assert one.got() == taken.frozen


@pytest.mark.slow
def test_a_capture_by_hand_meanwhile_makes_the_next_night_read_whole(tmp_path: Path) -> None:
    with nights(tmp_path) as one:
        one.write(MIB)
        holdstill("capture", "--settings", one.kept.settings)
        one.write(2 * MIB)

        taken = one.captures.take("witness")

        assert is_whole(taken.hashed)
        assert one.got() == taken.frozen


@pytest.mark.slow
def test_who_does_not_want_it_has_no_trace_between_captures(tmp_path: Path) -> None:
    with nights(tmp_path) as one:
        with one.kept.settings.open("a", encoding="utf-8") as file:
            file.write("nightly: {follow_all_day: false}\n")
        one.write(MIB)

        taken = one.captures.take()

        assert is_whole(taken.hashed)
        assert taken.files == 0
