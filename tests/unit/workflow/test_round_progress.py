"""A round over several partitions counts as one: each partition alone counts from nothing."""

from __future__ import annotations

from holdstill.workflow.round_progress import RoundProgress
from support.silence import Silent


class Heard(Silent):
    """Notes what it is told."""

    def __init__(self) -> None:
        self.told: list[tuple[int, int]] = []

    def update(self, done: int, total: int) -> None:
        self.told.append((done, total))


def test_partitions_are_counted_one_after_the_other() -> None:
    heard = Heard()
    counted = RoundProgress(heard)
    counted.begin(300)
    for done, total in ((0, 100), (60, 100), (0, 200), (50, 200), (200, 200)):
        counted.update(done, total)

    assert heard.told == [(0, 300), (60, 300), (100, 300), (150, 300), (300, 300)]


def test_two_partitions_of_one_size_are_two() -> None:
    heard = Heard()
    counted = RoundProgress(heard)
    counted.begin(20)
    for done in (5, 10, 0, 10):
        counted.update(done, 10)

    assert [done for done, _ in heard.told] == [5, 10, 10, 20]


def test_what_nobody_counted_beforehand_has_the_whole_of_its_parts() -> None:
    heard = Heard()
    counted = RoundProgress(heard)
    counted.update(1, 4)
    counted.begin(0)
    counted.update(3, 5)

    assert heard.told == [(1, 4), (3, 5)]
