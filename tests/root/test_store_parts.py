"""Another file system mounted on a part of a store: it is told, and no run begins."""

from __future__ import annotations

import shutil
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import HoldstillError, PreflightError
from holdstill.keeper import odd_places, thin
from holdstill.model.settings import Retention
from holdstill.workflow import explain, silence
from support import keeping, loop, programs
from support.keeping import PIER_3, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store

pytestmark = pytest.mark.timeout(120)
NEWEST = Retention(days=0, weeks=0, months=0, years=0, at_least=1)
BOARD = "boards/pier-3"


@contextmanager
def on_a_disk_of_its_own(folder: Path) -> Iterator[None]:
    """Mount another file system on a folder, with the same files in it."""
    copy = folder.parent.parent / "copy"
    shutil.copytree(folder, copy)
    with loop.mounted(Path("none"), folder, kind="tmpfs", options="size=16m,mode=700"):
        programs.run("cp", "-a", f"{copy}/.", folder)
        shutil.rmtree(copy)
        yield


@pytest.fixture
def board(tmp_path: Path) -> Board[LocalKeeper]:
    """A board with three captures."""
    clock = FakeClock()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock)
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    for reading in (b"1.42", b"1.43", b"1.44"):
        clock.advance(60)
        board.files[b"srv/reading"] = reading
        board.capture()
    return board


@pytest.fixture
def store(board: Board[LocalKeeper]) -> Store:
    return board.keeper._store


@pytest.mark.parametrize(
    "part", ["content", "content/ab", "trash", "boards", BOARD, f"{BOARD}/captures"]
)
def test_a_part_on_a_disk_of_its_own_is_told_and_no_run_begins(
    board: Board[LocalKeeper], store: Store, part: str
) -> None:
    folder = store.root / part
    with on_a_disk_of_its_own(folder):
        before = keeping.snapshot(store.root)

        odd = odd_places.found(store)
        settings = keeping.no_limits(store.root)
        looked = silence.look_at(store, settings, clock=board.clock, runner=FakeSignatures())
        with pytest.raises(PreflightError) as refused:
            board.keeper.begin()

        assert keeping.snapshot(store.root) == before
    (line,) = odd
    assert line.startswith(f"{folder}: it is on another file system than {folder.parent}: ")
    assert "mounted there" in line
    assert f"; what to do: bring all of {store.root} together on one file system" in line
    assert looked.store == odd
    assert looked.exit_code == 8
    assert f"{refused.value}; what to do: {refused.value.hint}" == line
    assert odd_places.found(store) == ()


def test_a_tree_to_look_at_on_a_disk_of_its_own_is_told_and_stops_no_run(
    board: Board[LocalKeeper], store: Store
) -> None:
    keeping.show_latest(store, clock=board.clock)
    with on_a_disk_of_its_own(store.root / BOARD / "latest"):
        (line,) = odd_places.found(store)
        sealed = board.capture()
        board.keeper.close()

    assert line.startswith(f"{store.root / BOARD / 'latest'}: it is on another file system")
    assert sealed.name.startswith("000004-")


@pytest.mark.parametrize("part", ["content", "trash"])
def test_a_thinning_that_cannot_rename_says_that_there_are_two_file_systems(
    board: Board[LocalKeeper], store: Store, part: str
) -> None:
    told: HoldstillError | None = None
    with on_a_disk_of_its_own(store.root / part):
        try:
            thin.delete_captures(store, PIER_3, NEWEST, clock=board.clock, runner=FakeSignatures())
            keeping.collect(store, board.clock)
        except OSError as error:
            told = explain.explained(error)

    assert told is not None
    assert "from one file system into another" in told.hint
    assert "`findmnt --target PATH`" in told.hint


def test_a_session_that_cannot_rename_is_told_so(board: Board[LocalKeeper], store: Store) -> None:
    """The disk is mounted while a run goes on."""
    board.files[b"srv/new"] = b"brought"
    begun = board.keeper.begin()
    with (
        on_a_disk_of_its_own(store.root / "content"),
        pytest.raises(HoldstillError) as refused,
    ):
        board.deliver(begun)
    board.keeper.close()

    assert "on another file system than the rest" in refused.value.hint


@pytest.mark.parametrize("part", ["content", BOARD])
def test_a_bind_mount_of_the_same_file_system_is_told_too(
    board: Board[LocalKeeper], store: Store, tmp_path: Path, part: str
) -> None:
    folder = store.root / part
    shutil.copytree(folder, tmp_path / "large")
    programs.run("mount", "--bind", tmp_path / "large", folder)
    try:
        (line, *_) = odd_places.found(store)
        with pytest.raises(PreflightError, match="mounted there"):
            board.keeper.begin()
    finally:
        programs.run("umount", folder)

    assert line.startswith(f"{folder}: it is on another file system than")
