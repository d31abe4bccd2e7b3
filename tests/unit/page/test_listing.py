from __future__ import annotations

from urllib.parse import parse_qs, urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.model.boot import BootFinding, BootVerdict
from holdstill.model.protocol import CaptureBrief
from holdstill.page import listing
from holdstill.page.board_row import BoardRow, BoardState, CardState
from holdstill.page.keeper_view import Room
from holdstill.page.listing import ORDERS, Wanted

ROWS = (
    BoardRow(name="good", days=0.5, limit=3, card=CardState.GOOD),
    BoardRow(name="older", days=1.5, limit=3),
    BoardRow(name="silent", days=9.0, limit=3),
    BoardRow(name="lacking", days=0.1, limit=3, lacks=("no kernel",)),
    BoardRow(name="dying", days=0.2, limit=3, card=CardState.FAILING),
    BoardRow(name="altered", days=0.1, limit=3, trouble="bad signature"),
    BoardRow(name="withdrawn", days=99.0, limit=3, is_retired=True),
)


def names(**query: str) -> list[str]:
    return [row.name for row in Wanted.of_query(query).chosen(ROWS)]


def test_the_worst_is_first() -> None:
    assert names() == ["altered", "silent", "dying", "lacking", "older", "good", "withdrawn"]


def test_a_part_of_the_name_is_enough() -> None:
    assert names(name=" LaC ") == ["lacking"]


def test_a_state_is_chosen() -> None:
    assert names(state="needs a look") == ["dying", "lacking"]


@pytest.mark.parametrize("order", ORDERS)
def test_every_order_has_all_boards_and_can_be_turned_around(order: str) -> None:
    assert sorted(names(sort=order)) == sorted(row.name for row in ROWS)
    assert sorted(names(sort=order, reverse="1")) == sorted(row.name for row in ROWS)


def test_orders_begin_with_what_needs_a_look() -> None:
    assert names(sort="card")[0] == "dying"
    assert names(sort="age")[0] == "withdrawn"
    assert names(sort="board")[0] == "altered"


def test_a_board_that_would_not_boot_is_before_one_that_would() -> None:
    rows = [_booting("b", BootVerdict.WHOLE), _booting("a", BootVerdict.BROKEN)]

    assert [row.name for row in Wanted(order="would-boot").chosen(rows)] == ["a", "b"]


def _booting(name: str, verdict: BootVerdict) -> BoardRow:
    brief = CaptureBrief(
        name="000001-20261125T021503Z", seq=1, manifest="", index="", grade="live", taken_at="",
        boot=BootFinding(verdict=verdict),
    )  # fmt: skip
    return BoardRow(name=name, newest=brief, limit=3)


@given(st.dictionaries(st.sampled_from(["name", "state", "sort", "reverse"]), st.text()))
def test_whatever_stands_in_an_address_is_an_order(query: dict[str, str]) -> None:
    wanted = Wanted.of_query(query)

    found = wanted.chosen(ROWS)

    assert {*found} <= {*ROWS}
    fields = parse_qs(urlsplit(wanted.address("age")).query)
    again = {name: values[0] for name, values in fields.items()}
    assert Wanted.of_query(again).text == wanted.text.strip()


def test_a_heading_turns_its_own_order_around() -> None:
    assert "reverse" not in Wanted(order="age").address("size")
    assert "reverse=1" in Wanted(order="age").address("age")
    assert "reverse" not in Wanted(order="age", is_reversed=True).address("age")


def test_boards_are_counted_by_state() -> None:
    assert dict(listing.counts(ROWS)) == {
        BoardState.TROUBLE: 1, BoardState.SILENT: 1, BoardState.LOOK: 2, BoardState.GOOD: 2,
        BoardState.RETIRED: 1,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("room", "days"),
    [
        (Room(total=1000, free=500, reserved=100, daily=10.0, over_days=28), 40.0),
        (Room(total=1000, free=50, reserved=100, daily=10.0, over_days=28), 0.0),
        (Room(total=1000, free=500, reserved=100, daily=0.0, over_days=28), None),
    ],
)
def test_it_is_said_when_the_disk_is_full(room: Room, days: float | None) -> None:
    assert room.days_left == days
