"""Every item of the security checklist (FAULTS 3) has its test, or a reason.

A test's name carries the item, as in `test_s03_...`. Tests that had another name before are listed
here.
"""

from __future__ import annotations

import pytest

from support.inventory import named

ITEMS = [f"s{number:02}" for number in (*range(1, 14), *range(20, 37), *range(40, 46))]
UNNAMED = {
    "s11": "house/test_units.py::test_the_keepers_user_and_places_are_made",
    "s28": "root/test_look_inside.py::test_a_file_comes_out_with_its_times_but_without_setuid",
    "s40": "unit/board/test_trusted.py::test_nothing_on_the_way_may_be_writable_by_others",
    "s44": "house/test_units.py::test_the_daemon_has_no_powers_that_a_capture_does_not_need",
    "s45": "root/test_claims.py::test_nobody_mounts_a_claimed_card",
}
OTHERWISE = {
    "s21": "nothing that is kept is compressed; what rsync packs for the way is counted as it "
    "lies on the disk, by the quota (s04)",
    "s35": "a known limit: a signature proves where a capture comes from, not that it is true; "
    "the ledger dates each arrival by the keeper's own clock (s32)",
    "s42": "a known limit: contents lie at the keeper as they were on the board, closed to "
    "everybody but its user",
}
"""Items that the design answers in another way than by a refusal."""


@pytest.mark.parametrize("item", ITEMS)
def test_an_item_has_a_test_or_a_reason(item: str) -> None:
    carrying = [test for test in named() if f"_{item}_" in test.rpartition("::")[2]]

    assert carrying or UNNAMED.get(item) in named() or item in OTHERWISE


def test_no_listed_item_or_test_is_gone() -> None:
    assert {*UNNAMED, *OTHERWISE} <= set(ITEMS)
    assert set(UNNAMED.values()) <= named().keys()
