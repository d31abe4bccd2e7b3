"""A real guard in a process of its own, which needs no right as long as nothing is frozen."""

from __future__ import annotations

import os
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import freeze_state, guard
from holdstill.board.freeze_state import FreezeState, FrozenFileSystem
from holdstill.board.guard import HeldMount
from holdstill.board.mounts import Mount
from holdstill.errors import PauseError
from holdstill.model.paths import BoardPath
from holdstill.system.clocks import SystemClock
from support import descriptors

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.guard import Guard

CLOCK = SystemClock()
DEVICE = (179, 2)


@contextmanager
def started(
    folder: Path, *, seconds: float = 5.0, marks_in: Path | None = None
) -> Iterator[Guard]:
    """Start a real guard; nothing is ever frozen, so it needs no right to thaw."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    mount = Mount(DEVICE, BoardPath(b"/"), BoardPath(b"/data"), "rw", "ext4", "/dev/x")
    held = HeldMount(mount, handle)
    try:
        with guard.armed([held], seconds=seconds, clock=CLOCK, marks_in=marks_in) as made:
            assert made.mounts == (held,)
            assert made.seconds == seconds
            yield made
    finally:
        os.close(handle)


def children() -> list[str]:
    """Return the processes that are ours, ended or not; proc_pid_task(5)."""
    tasks = Path("/proc/self/task").glob("*/children")
    return [number for task in tasks for number in task.read_text(encoding="ascii").split()]


def test_a_guard_that_is_started_answers_and_ends_with_its_block(tmp_path: Path) -> None:
    before, others = descriptors.count(), children()

    with started(tmp_path) as made:
        mine = set(children()).difference(others)
        made.start_deadline()
        made.stand_down()
        made.check()
        assert len(mine) == 1
        assert not made.fired

    assert mine.isdisjoint(children())
    assert descriptors.count() == before


def test_a_guard_that_is_started_acts_when_its_time_is_up(tmp_path: Path) -> None:
    with started(tmp_path, seconds=0.05) as made:
        began = CLOCK.monotonic()
        deadline = made.start_deadline()
        while not made.fired and CLOCK.monotonic() < began + 5:
            CLOCK.sleep(0.005)

        assert made.fired
        assert CLOCK.monotonic() >= deadline
        with pytest.raises(PauseError, match="already let go"):
            made.check()


def test_what_a_guard_watches_over_can_be_found_by_a_later_run(tmp_path: Path) -> None:
    with started(tmp_path, marks_in=tmp_path) as made:
        made.marks[0] = FreezeState.TRYING
        left, marked = freeze_state.left_over(tmp_path / guard.MARKS)
        assert left.possibly_frozen() == [0]
        assert marked == (FrozenFileSystem(DEVICE, b"/data"),)
        made.marks[0] = FreezeState.UNTOUCHED

    assert list(tmp_path.iterdir()) == []


def test_without_a_place_for_marks_nothing_is_written(tmp_path: Path) -> None:
    with started(tmp_path) as made:
        assert made.marks.count == 1
        assert list(tmp_path.iterdir()) == []
