"""Names in the order in which people count."""

from hypothesis import given
from hypothesis import strategies as st

from holdstill.model import names


def test_two_comes_before_ten() -> None:
    boards = ["pier-10", "pier-2", "buoy", "pier", "2-pier", "pier-02"]

    assert sorted(boards, key=names.natural) == [
        "2-pier", "buoy", "pier", "pier-02", "pier-2", "pier-10",
    ]  # fmt: skip


@given(boards=st.sets(st.text(st.sampled_from("ab-019"), max_size=8)))
def test_every_set_of_names_has_one_order(boards: set[str]) -> None:
    once = sorted(boards, key=names.natural)

    assert len({names.natural(board) for board in once}) == len(boards)
