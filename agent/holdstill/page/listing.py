"""Which boards of many are shown, and in which order: by what stands in the address. Pure."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from holdstill.page.board_row import BoardState, CardState

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from holdstill.page.board_row import BoardRow

_STATES, _CARDS = tuple(BoardState), tuple(CardState)
_BOOTS = ("broken", "unknown", "", "whole")
_GRADES = ("", "live", "settled", "point-in-time", "read-only")
_ORDERS: Mapping[str, Callable[[BoardRow], tuple[object, ...]]] = {
    "worst": lambda row: (_STATES.index(row.state), -row.days),
    "board": lambda row: (row.name,),
    "age": lambda row: (-row.days,),
    "grade": lambda row: (_GRADES.index(row.grade) if row.grade in _GRADES else 0,),
    "verified": lambda row: (row.verified_at,),
    "booted": lambda row: (row.booted_at,),
    "would-boot": lambda row: (_BOOTS.index(row.boot or ""),),
    "card": lambda row: (_CARDS.index(row.card),),
    "size": lambda row: (-row.size,),
    "captures": lambda row: (row.captures,),
}
"""Each begins with what needs a look first, where there is such a thing."""
ORDERS = tuple(_ORDERS)


@dataclass(frozen=True)
class Wanted:
    """What somebody wants to see.

    Attributes:
        text: a part of the board's name.
        state: of which state; "" for any.
        order: one of ORDERS; is_reversed: from its end.
    """

    text: str = ""
    state: str = ""
    order: str = "worst"
    is_reversed: bool = False

    @classmethod
    def of_query(cls, query: Mapping[str, str]) -> Wanted:
        """Read what stands behind an address; what is not known there does not count."""
        order, state = query.get("sort", ""), query.get("state", "")
        return cls(
            text=query.get("name", "").strip(),
            state=state if state in {*BoardState} else "",
            order=order if order in _ORDERS else "worst",
            is_reversed=query.get("reverse", "") == "1",
        )

    def chosen(self, rows: Iterable[BoardRow]) -> tuple[BoardRow, ...]:
        """Return the rows that are wanted, in their order."""
        found = [
            row
            for row in rows
            if self.text.lower() in row.name.lower() and self.state in {"", row.state}
        ]
        found.sort(key=lambda row: row.name)
        found.sort(key=_ORDERS[self.order], reverse=self.is_reversed)
        return tuple(found)

    def address(self, order: str) -> str:
        """Return the address of the same boards in another order; of this one, from its end."""
        is_reversed = order == self.order and not self.is_reversed
        fields = {"name": self.text, "state": self.state, "sort": order}
        given = {name: value for name, value in fields.items() if value}
        return "/?" + urlencode(given | ({"reverse": "1"} if is_reversed else {}))


def counts(rows: Sequence[BoardRow]) -> tuple[tuple[BoardState, int], ...]:
    """Return how many boards are in each state, the worst first; of those that there are."""
    found = Counter(row.state for row in rows)
    return tuple((state, found[state]) for state in BoardState if found[state])
