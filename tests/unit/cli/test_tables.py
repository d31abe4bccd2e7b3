"""What tables make of values from elsewhere."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.cli import capture_tables
from holdstill.cli.consoles import Console
from holdstill.model.protocol import CaptureBrief

NOW = datetime(2026, 11, 25, 2, 15, 3, tzinfo=UTC)


@pytest.mark.parametrize("since", ["2026-11-25T02:15:03", "2026-11-25", "", "\x1b[2J", "never"])
def test_m2_a_date_without_a_zone_has_no_age(since: str) -> None:
    assert capture_tables.age(since, NOW) == "?"


@given(since=st.one_of(st.text(), st.datetimes().map(str), st.datetimes().map(lambda x: f"{x}Z")))
def test_m2_an_age_is_a_number_with_its_unit_or_unknown(since: str) -> None:
    shown = capture_tables.age(since, NOW)

    assert shown == "?" or shown.split()[1] in {"d", "h", "min", "s"}


GOOD = CaptureBrief(
    name="000001-20261124T021503Z", seq=1, manifest="", index="", grade="consistent",
    taken_at="2026-11-24T02:15:03Z", arrived_at="2026-11-24T02:15:40Z", frozen_ms=123.0,
    entries=41_234, content_bytes=3 << 30, new_bytes=14 << 20, verified_at="2026-11-25T01:00:00Z",
)  # fmt: skip
LONG = "bad signature: /srv/holdstill/boards/pier-3/captures/000002-20261124T021503Z/manifest.sig"


def listed(width: int, *briefs: CaptureBrief) -> list[str]:
    """Return the lines of a list of captures on a terminal of so many columns."""
    out = io.StringIO()
    capture_tables.briefs("pier-3", briefs, None, now=NOW, out=Console(file=out, width=width))
    return out.getvalue().splitlines()


@pytest.mark.parametrize("width", [80, 120])
def test_a_list_has_a_line_for_each_capture_and_what_is_wrong_below(width: int) -> None:
    faulty = msgspec.structs.replace(GOOD, name="000002-20261124T021503Z", faults=(LONG,))
    damaged = msgspec.structs.replace(
        GOOD, name="000003-20261124T021503Z", damaged_at="2026-11-25T01:00:00Z", pinned=True
    )

    _, _, *lines = listed(width, GOOD, faulty, damaged)

    names = [line.split()[0] for line in lines if line.startswith("0000")]
    assert names[:3] == [GOOD.name, faulty.name, damaged.name]
    assert "  good  " in lines[0]
    assert "  UNUSABLE  " in lines[1]
    assert "  DAMAGED, pinned  " in lines[2]
    below = " ".join(lines[3:])
    assert names[3:] == [f"{faulty.name}:", f"{damaged.name}:"]
    assert LONG.removeprefix("bad signature: ") in below.replace(" ", "")
    assert "damaged contents, found 2026-11-25" in below
    assert ("123 ms" in lines[0]) is (width == 120)


@pytest.mark.parametrize(
    ("taken_at", "is_trusted", "said"),
    [
        ("2028-11-24T02:15:03Z", True, "taken at 2028-11-24T02:15:03Z by the board's clock"),
        ("2026-11-24T02:15:03Z", False, "the board did not trust its clock"),
    ],
)
def test_a_date_by_which_retention_does_not_go_is_told(
    taken_at: str, said: str, *, is_trusted: bool
) -> None:
    brief = msgspec.structs.replace(GOOD, taken_at=taken_at, clock_trusted=is_trusted)

    lines = listed(120, brief)

    assert "  date in doubt  " in lines[2]
    assert f"{GOOD.name}: its date is in doubt: {said}" in " ".join(lines[3:])
