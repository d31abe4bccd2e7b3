"""Every item of the security checklist (FAULTS 3) has its test, or a reason.

A test's name carries the item, as in `test_s03_...`.
"""

from __future__ import annotations

import pytest

from support.inventory import named

ITEMS = [f"s{number:02}" for number in (*range(1, 14), *range(20, 37), *range(40, 46))]
OTHERWISE = {
    "s21": "nothing that is kept is compressed; what rsync packs for the way is counted as it "
    "lies on the disk, by the account (s04)",
    "s35": "a known limit: a signature proves where a capture comes from, not that it is true; "
    "the ledger dates each arrival by the keeper's own clock (s32)",
    "s42": "a known limit: contents lie at the keeper as they were on the board, closed to "
    "everybody but its user",
}
"""Items that the design answers in another way than by a refusal."""


@pytest.mark.parametrize("item", ITEMS)
def test_an_item_has_a_test_or_a_reason(item: str) -> None:
    carrying = [test for test in named() if f"_{item}_" in test.rpartition("::")[2]]

    assert bool(carrying) is not (item in OTHERWISE)


def test_no_listed_item_is_gone() -> None:
    assert OTHERWISE.keys() <= set(ITEMS)
