"""Which pauses are refused before they are begun."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.workflow import pause_budget, precopy
from holdstill.workflow.pause_budget import OverBudgetError, PauseLoad
from holdstill.workflow.precopy import PendingAmount

MIB = 1 << 20
SIZES = st.integers(0, 1 << 40)


def load_of(sizes: list[int]) -> PauseLoad:
    load = PauseLoad()
    for number, size in enumerate(sizes):
        load += PauseLoad.of_file(b"srv/%d" % number, size)
    return load


def refuses_memory(load: PauseLoad, room: int) -> bool:
    try:
        pause_budget.check_memory(load, room)
    except OverBudgetError:
        return True
    return False


def refuses_time(load: PauseLoad, rate: float, ceiling: float) -> bool:
    try:
        pause_budget.check_time(load, rate, ceiling)
    except OverBudgetError:
        return True
    return False


@given(sizes=st.lists(SIZES, max_size=20), room=SIZES)
def test_memory_is_refused_if_and_only_if_all_files_together_exceed_it(
    sizes: list[int], room: int
) -> None:
    assert refuses_memory(load_of(sizes), room) == (sum(sizes) > room)


@given(sizes=st.lists(SIZES, max_size=20), rate=st.floats(1e3, 1e10), ceiling=st.floats(0.06, 60))
def test_time_is_refused_if_and_only_if_the_prediction_outlasts_the_ceiling(
    sizes: list[int], rate: float, ceiling: float
) -> None:
    seconds = precopy.predict(PendingAmount(len(sizes), sum(sizes)), rate)

    assert refuses_time(load_of(sizes), rate, ceiling) == (seconds > ceiling)


@given(sizes=st.lists(SIZES, min_size=1, max_size=20), rate=st.floats(1e3, 1e10))
def test_a_slower_card_or_one_more_file_never_turns_a_refusal_into_a_yes(
    sizes: list[int], rate: float
) -> None:
    if refuses_time(load_of(sizes[:-1]), rate, 5):
        assert refuses_time(load_of(sizes), rate, 5)
        assert refuses_time(load_of(sizes), rate / 2, 5)


def test_a_rate_that_was_never_measured_refuses_nothing() -> None:
    assert not refuses_time(load_of([1 << 50]), 0.0, 5)


def test_the_words_name_the_largest_file_and_what_to_do() -> None:
    load = load_of([MIB, 300 * MIB, 2 * MIB])

    with pytest.raises(
        OverBudgetError, match=r"303\.0 MiB.*44\.0 MiB.*srv/1 \(300\.0 MiB\)"
    ) as no:
        pause_budget.check_memory(load, 44 * MIB)
    assert "pause.spool_share" in no.value.hint
    with pytest.raises(OverBudgetError, match=r"10\.\d s.*may take 5 s.*srv/1") as late:
        pause_budget.check_time(load, 30 * MIB, 5)
    assert "pause.ceiling" in late.value.hint
