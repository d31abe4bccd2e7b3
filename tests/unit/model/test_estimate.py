"""How far a piece of work is: the rules of the bar, whatever the stages really take."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.model import estimate
from holdstill.model.estimate import Estimate, Stage

SECONDS = st.floats(min_value=0.0, max_value=5000.0, allow_nan=False)


@st.composite
def works(draw: st.DrawFn) -> list[tuple[float, float, list[float]]]:
    """Stages: seconds as thought, seconds as they are, and where in it how much is said done."""
    stages = st.tuples(SECONDS, SECONDS, st.lists(st.floats(min_value=0.0, max_value=1.0)))
    return draw(st.lists(stages, min_size=1, max_size=8))


@given(works())
def test_the_bar_never_runs_backwards_and_is_whole_only_at_the_end(
    work: list[tuple[float, float, list[float]]],
) -> None:
    now, shown = 100.0, [0.0]
    found = Estimate(now)
    found.expect([Stage(f"stage {n}", thought) for n, (thought, _, _) in enumerate(work)])
    for number, (_, real, parts) in enumerate(work):
        found.begin(f"stage {number}", now)
        shown.append(found.share(now))
        for done in parts:  # also backwards, as a step that counts wrongly would
            now += real / len(parts)
            found.advance(round(done * 1000), 1000)
            shown.append(found.share(now))
            assert found.left(now) >= 0
        now += 0.0 if parts else real
        shown.append(found.share(now))

    assert shown == sorted(shown)
    assert max(shown) < 1.0
    found.end()
    assert found.share(now) == 1.0
    assert found.left(now) == 0.0


@given(st.lists(SECONDS.filter(bool), min_size=1, max_size=6), SECONDS)
def test_what_is_still_to_come_may_be_said_again_and_nothing_runs_backwards(
    further: list[float], first: float
) -> None:
    found = Estimate(0.0)
    found.expect([Stage("first", first)])
    found.begin("first", 0.0)
    before = found.share(10.0)

    found.expect([Stage(f"{n}", seconds) for n, seconds in enumerate(further)])

    assert found.share(10.0) >= before


def test_a_work_that_goes_as_thought_moves_evenly() -> None:
    found = Estimate(0.0)
    found.expect([Stage("a", 40.0), Stage("b", 60.0)])
    found.begin("a", 0.0)
    shares, lefts = [], []
    for second in range(100):
        if second == 40:
            found.begin("b", 40.0)
        within = second if second < 40 else second - 40
        found.advance(within, 40 if second < 40 else 60)
        shares.append(found.share(second))
        lefts.append(found.left(second))

    assert shares == pytest.approx([second / 100 for second in range(100)], abs=0.02)
    assert lefts == pytest.approx([100 - second for second in range(100)], abs=2)


def test_what_was_too_slow_so_far_makes_what_is_to_come_longer() -> None:
    found = Estimate(0.0)
    found.expect([Stage("a", 10.0), Stage("b", 10.0)])
    found.begin("a", 0.0)
    found.begin("b", 100.0)

    # 7 times as long, with five seconds as thought counted in: (100 + 5) / (10 + 5).
    assert found.left(100.0) == pytest.approx(70.0)


def test_a_stage_that_does_not_count_comes_ever_nearer_to_its_end() -> None:
    found = Estimate(0.0)
    found.expect([Stage("sealing", 10.0)])
    found.begin("sealing", 0.0)
    shares = [found.share(second) for second in range(0, 60, 5)]

    assert shares == sorted(set(shares))
    assert shares[2] == pytest.approx(10 / 15)
    assert shares[-1] < 1.0


def test_stages_that_do_not_come_are_passed_over_and_strange_ones_change_nothing() -> None:
    found = Estimate(0.0)
    found.expect([Stage("a", 10.0), Stage("b", 1000.0), Stage("c", 10.0)])
    found.begin("a", 0.0)
    before = found.left(0.0)
    found.begin("a probe", 0.0)

    assert before == pytest.approx(1020.0)
    assert found.left(0.0) < before
    found.begin("c", 10.0)
    assert found.left(10.0) < 100


def test_without_a_plan_there_is_no_share_of_the_whole() -> None:
    assert not Estimate(0.0).has_plan


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "seconds"), (9.9, "seconds"), (10, "10 s"), (11, "20 s"), (59, "60 s"),
        (60, "1 min"), (61, "2 min"), (3599, "60 min"), (3600, "1 h 00 min"),
        (3601, "1 h 10 min"), (90_000, "25 h 00 min"),
    ],
)  # fmt: skip
def test_a_time_is_told_in_few_words_and_never_too_short(seconds: float, words: str) -> None:
    assert estimate.in_words(seconds) == words
