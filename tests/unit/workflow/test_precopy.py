from dataclasses import dataclass, field
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.model.protocol import PROTOCOL, Hello
from holdstill.model.settings import PauseSettings
from holdstill.workflow import precopy
from holdstill.workflow.precopy import PendingAmount, PrecopyResult

RATE = 100e6


@dataclass
class SlowClock:
    """A clock that moves when the board works."""

    seconds: float = 0.0

    def monotonic(self) -> float:
        return self.seconds

    def now(self) -> datetime:
        raise AssertionError("rounds have no use for dates")

    def sleep(self, seconds: float) -> None:
        raise AssertionError("rounds do not wait")

    def work(self, seconds: float) -> None:
        self.seconds += seconds


@dataclass
class Board:
    """A board that dirties files at a steady rate, and a link that has a rate, too."""

    dirty_rate: float
    link_rate: float
    first: int
    clock: SlowClock = field(default_factory=SlowClock)
    looked: float = 0.0
    found: list[int] = field(default_factory=list)

    def one_round(self, number: int) -> PendingAmount:
        since = self.clock.monotonic() - self.looked
        self.looked = self.clock.monotonic()
        size = self.first if number == 1 else round(self.dirty_rate * since)
        self.found.append(size)
        self.clock.work(0.05 + size / self.link_rate)
        return PendingAmount(files=1 + size // 1_000_000, bytes=size)


def converge(board: Board, settings: PauseSettings, *, room: int = 1 << 30) -> PrecopyResult:
    return precopy.converge(
        board.one_round, settings=settings, rate=RATE, room=room, clock=board.clock
    )


def test_a_small_first_round_needs_no_second_one() -> None:
    board = Board(dirty_rate=0, link_rate=50e6, first=1_000_000)

    converged = converge(board, PauseSettings(target=0.5))

    assert converged.rounds == 1
    assert converged.predicted_seconds <= 0.5


def test_a_large_first_round_is_followed_by_one_that_takes_what_came_meanwhile() -> None:
    board = Board(dirty_rate=1e6, link_rate=50e6, first=4_000_000_000)

    converged = converge(board, PauseSettings(target=0.5))

    assert 2 <= converged.rounds <= 3
    assert board.found[-1] < board.first / 10
    assert converged.predicted_seconds <= 0.5


def test_a_round_that_fits_the_target_and_not_the_memory_is_followed_by_another() -> None:
    board = Board(dirty_rate=0, link_rate=50e6, first=30_000_000)

    converged = converge(board, PauseSettings(target=0.5), room=20_000_000)

    assert board.found == [30_000_000, 0]
    assert converged.rounds == 2


def test_c3_huge_file_dirt_that_comes_faster_than_the_link_carries_it_ends_the_rounds_early() -> (
    None
):
    board = Board(dirty_rate=90e6, link_rate=10e6, first=4_000_000_000)

    converged = converge(board, PauseSettings(target=0.5, rounds=50))

    assert converged.rounds < 6
    assert converged.predicted_seconds > PauseSettings(target=0.5).target


@given(
    dirty_rate=st.floats(0, 200e6),
    link_rate=st.floats(1e5, 200e6),
    first=st.integers(0, 10**10),
    limit=st.integers(1, 9),
)
def test_the_number_of_rounds_is_bounded_and_only_the_target_ends_them_early(
    dirty_rate: float, link_rate: float, first: int, limit: int
) -> None:
    board = Board(dirty_rate, link_rate, first)
    settings = PauseSettings(rounds=limit)

    converged = converge(board, settings)

    assert 1 <= converged.rounds <= limit
    assert converged.rounds == len(board.found)
    if converged.rounds < min(limit, 3):  # it ended early, and only the target ends so early
        assert converged.predicted_seconds <= settings.target


@pytest.mark.parametrize(
    ("files", "size", "said"),
    [
        (10, 1 << 20, ""),
        (10, (1 << 20) + 1, "1.0 MiB to copy, room for 1.0 MiB,"),
        (11, 0, "11 files to copy, room for 10,"),
        (4000, 3 << 20, "3.0 MiB to copy, room for 1.0 MiB and 4,000 files to copy, room for 10,"),
    ],
)
def test_a_first_capture_is_told_of_the_room_that_it_has_today(
    files: int, size: int, said: str
) -> None:
    hello = Hello(protocol=PROTOCOL, board="pier-3", free_bytes=1 << 20,
                  free_inodes=10, now="")  # fmt: skip

    warning = precopy.room_warning(PendingAmount(files, size), hello)

    assert said in warning
    assert bool(warning) is bool(said)
    assert not warning or "keeper.yaml" in warning
