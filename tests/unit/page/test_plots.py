from __future__ import annotations

from datetime import UTC, datetime, timedelta

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.model.boot import BootFinding, BootVerdict
from holdstill.model.card_reading import CardReading
from holdstill.model.protocol import CaptureBrief
from holdstill.page import capture_plots, plots
from holdstill.page.plots import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH

NOW = datetime(2026, 11, 30, 3, tzinfo=UTC)


def brief(seq: int, **more: object) -> CaptureBrief:
    at = f"2026-11-{seq:02}T02:15:03Z"
    made = CaptureBrief(
        name=f"{seq:06}-202611{seq:02}T021503Z", seq=seq, manifest="00", index="00",
        grade="point-in-time", taken_at=at, arrived_at=at, frozen_ms=90.0 + seq,
        new_bytes=seq << 20, seconds=60.0,
        card=CardReading(at=at, rate=20 << 20, life=seq),
    )  # fmt: skip
    return msgspec.structs.replace(made, **more)


def test_all_numbers_are_plotted_and_said() -> None:
    made = capture_plots.of([brief(3), brief(2), brief(1)])

    assert [plot.words for plot in made] == [
        "Frozen span: 3 captures, from 91 ms to 93 ms; the last 93 ms",
        "Bytes that were new to the store: 3 captures, from 1.0 MiB to 3.0 MiB; the last 3.0 MiB",
        "Duration: 3 captures, from 60 s to 60 s; the last 60 s",
        "The card reads, a second: 3 captures, from 20.0 MiB to 20.0 MiB; the last 20.0 MiB",
        "Life used, in per cent: 3 captures, from 10 % to 30 %; the last 30 %",
    ]


def test_what_a_card_does_not_tell_is_not_plotted() -> None:
    silent = [brief(n, card=CardReading(at=brief(n).taken_at)) for n in (1, 2)]

    titles = [plot.title for plot in capture_plots.of(silent)]

    assert titles == ["Frozen span", "Bytes that were new to the store", "Duration"]


@pytest.mark.parametrize("count", [0, 1])
def test_one_capture_makes_no_line(count: int) -> None:
    assert capture_plots.of([brief(1)] * count) == ()


@given(
    st.lists(
        st.tuples(
            st.datetimes(timezones=st.just(UTC), min_value=datetime(1970, 1, 1)),  # noqa: DTZ001
            st.floats(),
        )
    )
)
def test_every_point_is_inside_the_drawing(points: list[tuple[datetime, float]]) -> None:
    made = plots.plotted("x", sorted(points, key=lambda each: each[0]), str)

    if made is None:
        return
    for pair in made.line.split():
        x, y = map(float, pair.split(","))
        assert LEFT <= x <= WIDTH - RIGHT
        assert TOP <= y <= HEIGHT - BOTTOM
    assert made.up[0].at == HEIGHT - BOTTOM  # it begins at nothing, so that heights compare


def test_a_line_of_captures_says_what_each_is() -> None:
    whole = BootFinding(verdict=BootVerdict.WHOLE)
    line = capture_plots.time_line(
        [brief(1, faults=("missing",)), brief(2, booted_at="x"), brief(3, boot=whole), brief(4)],
        NOW,
    )

    assert line is not None
    assert [mark.kind for mark in line.marks] == ["bad", "booted", "whole", "plain"]
    assert line.marks[0].at == LEFT
    assert "missing" in line.marks[0].words
    assert all(mark.at < WIDTH - RIGHT for mark in line.marks)  # now is at its end


@pytest.mark.parametrize("said", ["", "yesterday", "2026-11-25T02:15:03"])
def test_a_capture_without_a_date_is_on_no_line(said: str) -> None:
    assert capture_plots.time_line([brief(1, arrived_at=said, taken_at=said)], NOW) is None


def test_a_capture_of_the_future_is_on_the_line() -> None:
    line = capture_plots.time_line([brief(1), brief(30)], NOW - timedelta(days=20))

    assert line is not None
    assert line.marks[1].at == WIDTH - RIGHT
