"""Real remounts. Not every kernel has FAT, so that an ext4 stands for it: the way is the same."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import mounts, read_only, undo_log
from holdstill.system.process import LocalRunner
from support import loop

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.mounts import Mount
    from holdstill.board.undo_log import UndoLog

OPTIONS = "nosuid,nodev,noatime,commit=30"


@pytest.fixture
def volume(tmp_path: Path) -> Iterator[Path]:
    with loop.ext4_volume(tmp_path, options=OPTIONS) as at:
        yield at


@pytest.fixture
def undos() -> Iterator[UndoLog]:
    with (
        tempfile.TemporaryDirectory(dir="/dev/shm") as memory,
        undo_log.opened(Path(memory)) as mine,
    ):
        yield mine


def seen(volume: Path) -> Mount:
    return next(m for m in mounts.read_mounts() if str(m.point) == str(volume))


def test_it_is_read_only_inside_and_exactly_as_before_afterwards(
    volume: Path, undos: UndoLog
) -> None:
    before = seen(volume)

    with read_only.made_read_only(before, LocalRunner(), undos) as result:
        inside = seen(volume)
        with pytest.raises(OSError, match="Read-only"):
            (volume / "file").touch()

    assert result.is_still
    assert inside.is_read_only
    assert seen(volume) == before


def test_one_with_a_file_open_for_writing_is_reported_and_left(
    volume: Path, undos: UndoLog
) -> None:
    with (
        (volume / "open").open("w"),
        read_only.made_read_only(seen(volume), LocalRunner(), undos) as result,
    ):
        (volume / "file").touch()

    assert not result.is_still
    assert "busy" in result.reason
    assert undos.pending(read_only.KIND) == ()


def test_the_next_run_gives_back_what_a_killed_one_took(volume: Path, undos: UndoLog) -> None:
    before = seen(volume)
    taken = read_only.made_read_only(before, LocalRunner(), undos)
    taken.__enter__()  # and then nothing more, as after a kill

    done = read_only.give_back_left_over(undos, LocalRunner())

    assert done == (str(volume),)
    assert seen(volume) == before
    taken.__exit__(None, None, None)
