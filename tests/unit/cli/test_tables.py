"""What tables make of values from elsewhere."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.cli import tables

NOW = datetime(2026, 11, 25, 2, 15, 3, tzinfo=UTC)


@pytest.mark.parametrize("since", ["2026-11-25T02:15:03", "2026-11-25", "", "\x1b[2J", "never"])
def test_m2_a_date_without_a_zone_has_no_age(since: str) -> None:
    assert tables.age(since, NOW) == "?"


@given(since=st.one_of(st.text(), st.datetimes().map(str), st.datetimes().map(lambda x: f"{x}Z")))
def test_m2_an_age_is_a_number_with_its_unit_or_unknown(since: str) -> None:
    shown = tables.age(since, NOW)

    assert shown == "?" or shown.split()[1] in {"d", "h", "min", "s"}
