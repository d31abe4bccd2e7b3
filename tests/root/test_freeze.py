"""Real file systems held still for an instant."""

from __future__ import annotations

import gc
import os
import shutil
import subprocess
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import freeze, freeze_order, guard, mounts
from holdstill.board.spool import ChangedError, Spool, SpoolFullError
from holdstill.errors import PauseError
from holdstill.system import ioctl
from holdstill.system.clocks import SystemClock
from support import held, loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.freeze import FrozenSpan
    from holdstill.board.guard import HeldMount


@contextmanager
def window_over(mine: tuple[HeldMount, ...]) -> Iterator[FrozenSpan]:
    with (
        guard.armed(mine, seconds=5, clock=SystemClock()) as armed,
        freeze.frozen(armed) as window,
    ):
        yield window


@contextmanager
def volume(folder: Path, kind: str = "ext4", *, size: int = 64 << 20) -> Iterator[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    image = loop.blank_image(folder / "image", size=size)
    programs.run(f"mkfs.{kind}", "-q", image)
    with ExitStack() as undo:
        disk = undo.enter_context(loop.attached(image))
        at = undo.enter_context(loop.mounted(disk.device, folder / "at"))
        undo.enter_context(loop.thaw_guard(at, seconds=15))
        yield at


@contextmanager
def tmpfs(at: Path) -> Iterator[Path]:
    at.mkdir()
    programs.run("mount", "-t", "tmpfs", "memory", at)
    try:
        yield at
    finally:
        programs.run("umount", at)


@pytest.mark.parametrize(
    ("kind", "size"), [("ext4", 64 << 20), ("xfs", 320 << 20), ("btrfs", 128 << 20)]
)
def test_a_writer_waits_from_the_freeze_to_the_thaw(tmp_path: Path, kind: str, size: int) -> None:
    with volume(tmp_path, kind, size=size) as at, held.holding(at) as mine:
        with window_over(mine) as window:
            writer = subprocess.Popen(["/bin/sh", "-c", 'printf x >"$0"', at / "file"])
            time.sleep(0.2)
            was_waiting = writer.poll() is None
            frozen = held.is_frozen(at)
        status = writer.wait(timeout=10)

    assert was_waiting
    assert frozen
    assert status == 0
    assert [str(m) for m in window.frozen] == [str(at)]
    assert 0.2 < window.seconds < 2


def test_several_file_systems_and_a_bind_mount_are_one_instant(tmp_path: Path) -> None:
    with ExitStack() as undo:
        outer = undo.enter_context(volume(tmp_path / "1"))
        inner_image = undo.enter_context(volume(tmp_path / "2"))
        again = undo.enter_context(loop.mounted(outer, tmp_path / "bind", options="bind"))
        mine = undo.enter_context(held.holding(outer, inner_image, again))

        with window_over(mine) as window:
            frozen = [held.is_frozen(at) for at in (outer, inner_image, again)]

        thawed = [not held.is_frozen(at) for at in (outer, inner_image, again)]

    assert frozen == thawed == [True, True, True]
    assert len(window.frozen) == 2


def test_a_file_system_on_a_file_of_another_is_frozen_first_and_thawed_last(
    tmp_path: Path,
) -> None:
    # The upper one is nearer to /, so that depth alone would give the wrong order and hang.
    with volume(tmp_path / "a" / "lower", size=256 << 20) as lower, ExitStack() as undo:
        image = loop.blank_image(lower / "image", size=64 << 20)
        programs.run("mkfs.ext4", "-q", image)
        disk = undo.enter_context(loop.attached(image))
        upper = undo.enter_context(loop.mounted(disk.device, tmp_path / "upper"))
        undo.enter_context(loop.thaw_guard(upper, seconds=15))
        (upper / "dirty").write_bytes(bytes(1 << 20))
        mine = undo.enter_context(held.holding(lower, upper))

        with window_over(mine) as window:
            pass

    assert [str(m) for m in window.frozen] == [str(upper), str(lower)]
    assert window.seconds < 3


@contextmanager
def journal_in_a_file(folder: Path) -> Iterator[tuple[Path, Path]]:
    """Hold a file system, and another that has its journal in a file of it."""
    with volume(folder / "lower", size=256 << 20) as lower, ExitStack() as undo:
        journal = loop.blank_image(lower / "journal", size=32 << 20)
        own = loop.blank_image(folder / "own", size=64 << 20)
        at = undo.enter_context(loop.attached(journal)).device
        device = undo.enter_context(loop.attached(own)).device
        programs.run("mke2fs", "-q", "-O", "journal_dev", "-b", "4096", at)
        programs.run("mkfs.ext4", "-q", "-b", "4096", "-J", f"device={at}", device)
        upper = undo.enter_context(loop.mounted(device, folder / "upper"))
        undo.enter_context(loop.thaw_guard(upper, seconds=15))
        undo.enter_context(loop.thaw_guard(lower, seconds=15))
        (upper / "dirty").write_bytes(bytes(1 << 20))
        yield lower, upper


def test_what_has_its_journal_in_a_file_of_another_is_frozen_before_that(tmp_path: Path) -> None:
    with journal_in_a_file(tmp_path) as (lower, upper), ExitStack() as undo:
        mine = undo.enter_context(held.holding(lower, upper))

        with window_over(mine) as window:
            pass

    assert [str(m) for m in window.frozen] == [str(upper), str(lower)]
    assert window.seconds < 3


def test_the_guard_lets_go_where_a_freeze_waits_for_another_of_ours(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # In the wrong order, as of whatever stacking nobody knows of: the second freeze waits for the
    # first one, and a thaw of the second for its freeze.
    monkeypatch.setattr(freeze_order, "read_stacking", lambda _: {})
    with journal_in_a_file(tmp_path / "a") as (lower, upper), ExitStack() as undo:
        mine = undo.enter_context(held.holding(lower, upper))
        mine = tuple(sorted(mine, key=lambda one: str(one) == str(upper)))
        began = time.monotonic()
        with (
            pytest.raises(PauseError, match="the thaw guard let go"),
            guard.armed(mine, seconds=0.5, clock=SystemClock()) as armed,
            freeze.frozen(armed),
        ):
            pytest.fail("it was called frozen")
        seconds = time.monotonic() - began
        (lower / "after").write_bytes(b"1")
        (upper / "after").write_bytes(b"2")

    assert seconds < 5


def test_c6_freeze_fails_because_of_somebody_elses_which_is_left_alone(tmp_path: Path) -> None:
    with ExitStack() as undo:
        first = undo.enter_context(volume(tmp_path / "deep" / "first"))
        second = undo.enter_context(volume(tmp_path / "second"))
        mine = undo.enter_context(held.holding(first, second))
        assert [str(m) for m in mine] == [str(first), str(second)]
        ioctl.freeze(mine[1].handle)  # somebody else

        with pytest.raises(PauseError, match="second") as caught, window_over(mine):
            pytest.fail("it was called frozen")

        ours, theirs = held.is_frozen(first), held.is_frozen(second)

    assert not ours
    assert theirs
    assert "another program" in caught.value.hint


def test_a_file_that_changes_because_the_guard_let_go_is_not_called_the_cause(
    tmp_path: Path,
) -> None:
    with volume(tmp_path / "card") as at, ExitStack() as undo:
        (at / "readings.db").write_bytes(bytes(1 << 20))
        spool = undo.enter_context(Spool(tmp_path, 1 << 24))
        file = undo.enter_context((at / "readings.db").open("rb"))
        mine = undo.enter_context(held.holding(at))
        armed = undo.enter_context(guard.armed(mine, seconds=0.3, clock=SystemClock()))
        size = os.fstat(file.fileno()).st_size

        def append_and_copy() -> None:
            writer = subprocess.Popen(["/bin/sh", "-c", 'printf x >>"$0"', at / "readings.db"])
            writer.wait(timeout=10)  # until the guard thaws
            spool.copy(file.fileno(), size)

        with (
            pytest.raises(PauseError, match="the thaw guard let go") as caught,
            freeze.frozen(armed),
        ):
            append_and_copy()

        assert not held.is_frozen(at)

    assert "file of 1048576 bytes" in str(caught.value)
    assert isinstance(caught.value.__cause__, ChangedError)
    assert "pause.ceiling" in caught.value.hint


def test_what_ends_the_reading_of_an_unbroken_instant_is_told_as_it_is(tmp_path: Path) -> None:
    with volume(tmp_path) as at, held.holding(at) as mine:
        with pytest.raises(SpoolFullError, match="no room"), window_over(mine):
            raise SpoolFullError("no room")

        assert not held.is_frozen(at)


def test_a_thaw_by_somebody_else_breaks_the_instant(tmp_path: Path) -> None:
    with (
        volume(tmp_path) as at,
        held.holding(at) as mine,
        pytest.raises(PauseError, match="another program thawed"),
        window_over(mine),
    ):
        loop.thaw(at)


def test_memory_cannot_be_frozen_and_is_reported(tmp_path: Path) -> None:
    with volume(tmp_path / "1") as at, ExitStack() as undo:
        memory = undo.enter_context(tmpfs(tmp_path / "memory"))
        mine = undo.enter_context(held.holding(at, memory))

        with window_over(mine) as window:
            (memory / "free").write_bytes(b"x")

    assert [str(m) for m in window.frozen] == [str(at)]
    assert [str(m) for m in window.unfreezable] == [str(memory)]


def test_an_exception_in_the_window_thaws_and_goes_on(tmp_path: Path) -> None:
    with volume(tmp_path) as at, held.holding(at) as mine:
        with pytest.raises(EOFError), window_over(mine):
            raise EOFError

        assert not held.is_frozen(at)


def test_no_garbage_is_collected_in_the_window(tmp_path: Path) -> None:
    with volume(tmp_path) as at, held.holding(at) as mine, window_over(mine):
        inside = gc.isenabled()

    assert not inside
    assert gc.isenabled()


def test_a_mount_point_that_was_covered_is_noticed(tmp_path: Path) -> None:
    with volume(tmp_path / "1") as at, volume(tmp_path / "2") as other:
        everything = mounts.read_mounts()
        wanted = [m for m in everything if str(m.point) == str(at)]
        with (
            mounted_over(at, other),
            pytest.raises(PauseError, match="another file system"),
            freeze.hold_mounts(wanted, all_mounts=everything),
        ):
            pytest.fail("the wrong file system was held")


def test_a_pause_after_a_pause_works_and_leaves_no_descriptor(tmp_path: Path) -> None:
    with volume(tmp_path) as at:
        before = open_files()

        for _ in range(3):
            with held.holding(at) as mine, window_over(mine):
                pass

        assert open_files() == before


@contextmanager
def mounted_over(at: Path, other: Path) -> Iterator[None]:
    programs.run("mount", "--bind", other, at)
    try:
        yield
    finally:
        programs.run("umount", at)


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def test_frozen_files_can_be_read_and_listed(tmp_path: Path) -> None:
    with volume(tmp_path) as at, held.holding(at) as mine:
        (at / "level").write_bytes(b"1.42 m")
        os.setxattr(at / "level", "user.station", b"pier-3")

        with window_over(mine):
            content = (at / "level").read_bytes()
            names = sorted(path.name for path in at.iterdir())
            station = os.getxattr(at / "level", "user.station")
            shutil.disk_usage(at)

    assert (content, station) == (b"1.42 m", b"pier-3")
    assert "level" in names
