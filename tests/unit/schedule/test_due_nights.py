"""When a night begins, to the second; what a whole month is like, the daemon's tests show."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from holdstill.model import settings as model_settings
from holdstill.model.nightly_state import NightlyState
from holdstill.schedule.due_nights import DueNights
from support.nights import Place, World

BERLIN = ZoneInfo("Europe/Berlin")
DUE = datetime(2026, 11, 25, 2, 30, tzinfo=BERLIN)
SERVED = NightlyState(begun="2026-11-20T12:00:00Z", served="2026-11-24")
SETTINGS = """\
board: pier-3
keeper: ssh://keeper@boathouse
nightly: {time: "02:30", spread_minutes: 30, settle_minutes: 5, clock_minutes: 10}
notify: {summary_days: []}
"""


def nights(world: World, settings: str = SETTINGS) -> DueNights:
    decoded = model_settings.decode_board_settings(settings.encode())
    return DueNights(decoded, world, Place(world, BERLIN))


# Without a clock: one run when the wait for one is over.
@pytest.mark.parametrize(("minutes", "seconds"), [(10, 600), (1, 60), (0, 0)])
def test_without_a_clock_the_wait_is_over_to_the_second(minutes: int, seconds: int) -> None:
    world = World(DUE.astimezone(UTC), sets_clock_after=1e9)
    due = nights(world, SETTINGS.replace("clock_minutes: 10", f"clock_minutes: {minutes}"))

    if seconds:
        world.sleep(seconds - 0.5)
        assert due.take_due(NightlyState()) == (NightlyState(), None)
        world.sleep(0.5)
    state, night = due.take_due(NightlyState())

    assert state == NightlyState()
    assert night is not None
    assert not due.is_dated
    assert (due.due, due.idle_seconds) == (None, None)


def test_without_a_clock_the_next_run_is_due_a_day_after_the_last_has_ended() -> None:
    world = World(DUE.astimezone(UTC), sets_clock_after=1e9)
    due = nights(world)
    world.sleep(3600)
    assert due.take_due(NightlyState())[1] is not None
    due.ran = world.monotonic()

    world.sleep(86_399)
    early = due.take_due(NightlyState())[1]
    world.sleep(1)

    assert early is None
    assert due.take_due(NightlyState())[1] is not None


# After a power cut all boards come up at once: then the run waits for its share of the spread
# once more, beside the minutes in which a board that has booted comes to rest.
@pytest.mark.parametrize(("late", "is_missed"), [(600, False), (601, True), (80_000, True)])
def test_a_night_that_begins_more_than_ten_minutes_late_was_missed(
    late: int, *, is_missed: bool
) -> None:
    share = nights(World(DUE.astimezone(UTC))).rule.spread
    assert timedelta() < share < timedelta(minutes=30)
    world = World((DUE + share).astimezone(UTC) + timedelta(seconds=late))
    due = nights(world)

    _, night = due.take_due(SERVED)

    assert night is not None
    settled = 5 * 60.0
    assert night.next_try == settled + (share.total_seconds() if is_missed else 0.0)
    assert due.is_dated
