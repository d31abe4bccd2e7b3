from __future__ import annotations

import errno
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from holdstill.board import read_only, undo_log
from holdstill.board.mounts import Mount
from holdstill.errors import CommandError, DegradedError
from holdstill.model.paths import BoardPath
from support.services import failing

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.board.undo_log import UndoLog
    from holdstill.system.process import Command

BOOT = Mount(
    (179, 1), BoardPath(b"/"), BoardPath(b"/boot"),
    "rw,nosuid,relatime,fmask=0022,errors=remount-ro", "vfat", "/dev/mmcblk0p1",
)  # fmt: skip
RO = "mount -o remount,ro,nosuid,relatime /dev/mmcblk0p1 /boot"
RW = "mount -o remount,rw,nosuid,relatime /dev/mmcblk0p1 /boot"


class Board:
    """A board with one FAT, which remounts as it is told."""

    def __init__(self) -> None:
        self.mounts = [BOOT]
        self.ran: list[str] = []
        self.failures: dict[str, list[CommandError]] = {}

    def read(self) -> list[Mount]:
        return self.mounts

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        words = str(command)
        assert words in {RO, RW}
        self.ran.append(words)
        if self.failures.get(words):
            raise self.failures[words].pop()
        options = BOOT.options.replace("rw", "ro") if words == RO else BOOT.options
        self.mounts = [replace(BOOT, options=options)]
        return b""


@pytest.fixture
def board() -> Board:
    return Board()


@pytest.fixture
def undos(tmp_path: Path) -> Iterator[UndoLog]:
    with undo_log.opened(tmp_path) as mine:
        yield mine


def test_it_is_read_only_inside_and_writable_after(board: Board, undos: UndoLog) -> None:
    with read_only.made_read_only(BOOT, board, undos, read_mounts=board.read) as result:
        inside = board.mounts[0].is_read_only

    assert inside
    assert result.is_still
    assert board.ran == [RO, RW]
    assert undos.pending(read_only.KIND) == ()


def test_the_undo_is_written_down_before_the_deed(board: Board, undos: UndoLog) -> None:
    owed = []
    original = board.run

    class Watching:
        def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
            owed.append(len(undos.pending(read_only.KIND)))
            return original(command, stdin=stdin)

    with read_only.made_read_only(BOOT, Watching(), undos, read_mounts=board.read):
        pass

    assert owed == [1, 1]


def test_what_is_read_only_already_is_not_touched(board: Board, undos: UndoLog) -> None:
    mount = replace(BOOT, options="ro,relatime")

    with read_only.made_read_only(mount, board, undos, read_mounts=board.read) as result:
        pass

    assert result.is_still
    assert board.ran == []


def test_one_in_use_is_reported_and_left(board: Board, undos: UndoLog) -> None:
    board.failures[RO] = [failing("mount: /boot: mount point is busy.", errno.EBUSY)]

    with read_only.made_read_only(BOOT, board, undos, read_mounts=board.read) as result:
        pass

    assert not result.is_still
    assert "busy" in result.reason
    assert board.ran == [RO]
    assert undos.pending(read_only.KIND) == ()


def test_a_second_attempt_may_help(board: Board, undos: UndoLog) -> None:
    board.failures[RW] = [failing()]

    with read_only.made_read_only(BOOT, board, undos, read_mounts=board.read) as result:
        pass

    assert board.ran == [RO, RW, RW]
    assert result.problems == []
    assert undos.pending(read_only.KIND) == ()


def test_one_that_stays_read_only_is_told_and_remembered(board: Board, undos: UndoLog) -> None:
    board.failures[RW] = [failing("I/O error"), failing("I/O error")]
    with read_only.made_read_only(BOOT, board, undos, read_mounts=board.read) as result:
        pass
    told = list(result.problems)

    done = read_only.give_back_left_over(undos, board, read_mounts=board.read)

    assert "I/O error" in told[0]
    assert done == ("/boot",)
    assert not board.mounts[0].is_read_only


def test_the_next_run_tells_what_still_does_not_work(board: Board, undos: UndoLog) -> None:
    board.failures[RW] = [failing("I/O error")] * 4
    with read_only.made_read_only(BOOT, board, undos, read_mounts=board.read):
        pass

    with pytest.raises(DegradedError, match="/boot stays read-only"):
        read_only.give_back_left_over(undos, board, read_mounts=board.read)

    assert len(undos.pending(read_only.KIND)) == 1


def test_one_that_was_unmounted_since_is_settled(board: Board, undos: UndoLog) -> None:
    with read_only.made_read_only(BOOT, board, undos, read_mounts=board.read):
        board.mounts = []

    assert board.ran == [RO]
    assert undos.pending(read_only.KIND) == ()


def test_an_exception_inside_makes_it_writable(board: Board, undos: UndoLog) -> None:
    with (
        pytest.raises(EOFError),
        read_only.made_read_only(BOOT, board, undos, read_mounts=board.read),
    ):
        raise EOFError

    assert board.ran == [RO, RW]
