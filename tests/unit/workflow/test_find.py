"""Versions of files over captures of a store, and how little of the indexes is read for them."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from holdstill.errors import UsageError
from holdstill.keeper.board_captures import BoardCaptures, StoredCapture
from holdstill.keeper.local import LocalKeeper
from holdstill.records.index_series import IndexSeries
from holdstill.workflow import find
from holdstill.workflow.find import Found, PathWish
from support import keeping
from support.keeping import Board, FakeClock, FakeSignatures

MANY = {b"a/%04d" % number: b"%d" % number for number in range(1500)}


class SteadyBoard(Board[LocalKeeper]):
    """A board whose index keeps the rows that it had, as a real one does."""

    def index(self, *, seq: int) -> bytes:
        del seq
        return super().index(seq=1)


@pytest.fixture
def shelf(tmp_path: Path) -> BoardCaptures:
    """Return four captures: a file that changes, goes and comes back, among many that stay."""
    clock = FakeClock()
    store = keeping.make_store(tmp_path / "store", clock=clock)
    board = SteadyBoard(keeping.keeper_of(store, clock=clock), clock=clock)
    board.files = {**MANY, b"etc/rate": b"one", b"etc/same": b"same"}
    board.capture()
    board.capture()
    board.files[b"etc/rate"] = b"two!"
    board.capture()
    del board.files[b"etc/rate"]
    board.capture()
    board.files[b"etc/rate"] = b"one"
    board.capture()
    return BoardCaptures(store, keeping.PIER_3, FakeSignatures())


def captures(shelf: BoardCaptures) -> Iterator[StoredCapture]:
    return (shelf.capture(brief.name) for brief in shelf.briefs())


def found(shelf: BoardCaptures, pattern: str, series: IndexSeries, *, listed: int = 99) -> Found:
    return find.find(captures(shelf), PathWish.parse(pattern), series, listed=listed)


@pytest.mark.parametrize("pattern", ["2:/etc/rate", "2:/etc/r*", "rate", "r[a]te"])
def test_equal_captures_are_one_version_and_absence_ends_it(
    shelf: BoardCaptures, tmp_path: Path, pattern: str
) -> None:
    (one,) = found(shelf, pattern, IndexSeries(tmp_path / "index")).paths

    runs = [(v.size, int(v.first[:6]), int(v.last[:6]), v.gone_since[:6]) for v in one.versions]
    assert one.path == "2:/etc/rate"
    assert runs == [(3, 1, 2, ""), (4, 3, 3, "000004"), (3, 5, 5, "")]


def test_what_no_capture_has_is_not_found(shelf: BoardCaptures, tmp_path: Path) -> None:
    assert found(shelf, "nothing", IndexSeries(tmp_path / "index")).paths == ()


def test_of_more_paths_than_asked_for_the_first_are_listed(
    shelf: BoardCaptures, tmp_path: Path
) -> None:
    answer = found(shelf, "0*", IndexSeries(tmp_path / "index"), listed=5)

    assert len(answer.paths) == 5
    assert answer.is_cut


def test_pieces_of_an_index_that_did_not_change_are_read_once(
    shelf: BoardCaptures, tmp_path: Path
) -> None:
    series = IndexSeries(tmp_path / "index")
    sizes = [capture.manifest().index.size for capture in captures(shelf)]
    assert series.read == 0

    found(shelf, "rate", series)

    assert len(sizes) == 5
    assert series.read < 2.5 * max(sizes)


def test_a_capture_whose_index_is_damaged_is_told_and_the_others_are_looked_through(
    shelf: BoardCaptures, tmp_path: Path
) -> None:
    second = list(captures(shelf))[2]
    digest = second.manifest().index.sha256
    (place,) = (shelf.store.root / "content").glob(f"*/{digest}")
    place.chmod(0o600)
    place.write_bytes(b"not a list")

    answer = found(shelf, "rate", IndexSeries(tmp_path / "index"))

    assert answer.captures == 4
    assert answer.exit_code == 7
    assert len(answer.troubles) == 1
    assert [v.size for v in answer.paths[0].versions] == [3, 3]


@pytest.mark.parametrize("pattern", ["", "etc/rate", "x:/etc"])
def test_what_could_match_no_path_is_refused(pattern: str) -> None:
    with pytest.raises(UsageError, match="no pattern"):
        PathWish.parse(pattern)
