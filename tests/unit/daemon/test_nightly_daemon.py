from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import msgspec
import pytest

from holdstill.errors import BusyError, SecurityError, VerificationError
from holdstill.model.finding import Finding, FindingKind
from holdstill.model.nightly_state import DaemonStatus, MessageKind, NightlyState, Phase
from support.nights import LINE, Board, Span

NOON = "2026-11-24T12:00"
QUIET = "notify: {summary_days: []}\n"


def kinds(board: Board) -> list[MessageKind]:
    return [letter.kind for letter in board.people.letters]


# --- what is due ---------------------------------------------------------------------------------


def test_the_first_night_is_the_next_one_not_the_last_one() -> None:
    board = Board(NOON)

    board.live_until("2026-11-25T12:00")

    assert board.sealed() == ["11-25 02:30"]
    assert board.shelf.nightly_state.served == "2026-11-25"
    assert board.window.live == DaemonStatus(phase=Phase.WAITING, due="2026-11-26T01:30:00Z")


def test_a_fleet_that_comes_up_together_does_not_call_together() -> None:
    begins = []
    for name in ("pier-3", "pier-4", "slipway-1"):
        board = Board(NOON)
        board.settings = msgspec.structs.replace(
            board.settings,
            board=name,
            nightly=msgspec.structs.replace(board.settings.nightly, spread_minutes=30),
        )
        board.new_daemon()
        board.world.power_cuts = [Span.of("2026-11-25T01:00", "2026-11-25T06:00")]
        board.live_until("2026-11-26T12:00")
        begins.append(board.sealed())

    usual = [
        datetime.strptime(f"2026-{b[1]}", "%Y-%m-%d %H:%M").replace(tzinfo=UTC) for b in begins
    ]
    late = [
        datetime.strptime(f"2026-{b[0]}", "%Y-%m-%d %H:%M").replace(tzinfo=UTC) for b in begins
    ]
    shares = [moment - datetime(2026, 11, 26, 2, 30, tzinfo=UTC) for moment in usual]
    assert len(set(shares)) == 3
    assert all(timedelta() <= share <= timedelta(minutes=30) for share in shares)
    # After the cut: five minutes to settle, and the same share again.
    assert [moment - datetime(2026, 11, 25, 6, 5, tzinfo=UTC) for moment in late] == shares


def test_on_chosen_weekdays_only() -> None:
    board = Board(
        NOON, settings="nightly: {spread_minutes: 0, days: [monday, thursday]}\n"
        "notify: {silent_days: 5, summary_days: []}\n",
    )  # fmt: skip

    board.live_until("2026-12-05T12:00")

    assert board.sealed() == ["11-26 02:30", "11-30 02:30", "12-03 02:30"]
    assert kinds(board) == []


def test_another_time_zone_is_noticed_and_no_date_is_served_twice() -> None:
    board = Board(NOON)
    board.live_until("2026-11-25T12:00")

    board.place.here = ZoneInfo("Asia/Tokyo")
    board.live_until("2026-11-27T12:00")

    assert board.sealed() == ["11-25 10:30", "11-26 02:30", "11-27 02:30"]


def test_a_date_far_ahead_that_was_served_silences_no_board_that_is_off_at_night() -> None:
    board = Board(NOON, settings=QUIET)
    board.live_until("2026-11-25T12:00")
    board.shelf.nightly_state = msgspec.structs.replace(
        board.shelf.nightly_state, served="2036-11-28"
    )
    board.world.power_cuts = [
        Span.of(f"2026-11-{day}T20:00", f"2026-11-{day + 1}T06:00") for day in range(25, 29)
    ]

    board.new_daemon()
    board.live_until("2026-11-29T12:00")

    assert [text[:5] for text in board.sealed()] == [
        "11-25", "11-26", "11-27", "11-28", "11-29",
    ]  # fmt: skip


def test_a_served_date_that_is_none_silences_no_board() -> None:
    board = Board(NOON, settings=QUIET)
    board.live_until("2026-11-25T12:00")
    board.shelf.nightly_state = msgspec.structs.replace(board.shelf.nightly_state, served="soon")

    board.new_daemon()
    board.live_until("2026-11-27T12:00")

    assert [text[:5] for text in board.sealed()] == ["11-25", "11-26", "11-27"]


def test_a_time_that_was_set_far_ahead_costs_one_run_and_no_more() -> None:
    board = Board(NOON, settings=QUIET)
    board.live_until("2026-11-25T12:00")

    board.world.error = timedelta(days=400)
    board.world.sets_clock_after = 1e9  # the wrong time stays until it is set right
    board.place.is_trusted = lambda: True  # type: ignore[method-assign]
    board.world.sleep(board.daemon.run_due())
    board.world.error = timedelta()
    board.live_until("2026-11-28T12:00")

    assert board.sealed()[2:] == ["11-26 02:30", "11-27 02:30", "11-28 02:30"]
    assert len(board.sealed()) == 5


# --- without a clock -----------------------------------------------------------------------------


def test_without_a_clock_a_run_follows_the_wait_and_then_one_a_day() -> None:
    board = Board(NOON, settings=QUIET)
    board.world.sets_clock_after = 1e9

    board.live_until("2026-11-26T18:00")

    assert board.sealed() == ["11-24 12:10", "11-25 12:20", "11-26 12:30"]
    assert board.shelf.nightly_state.served == ""
    assert not board.last.clock_trusted
    assert board.window.live is not None
    assert (board.window.live.phase, board.window.live.due) == (Phase.CLOCK, "")


def test_a_run_without_a_clock_gets_its_date_when_the_clock_is_set() -> None:
    board = Board("2026-11-25T06:00", settings=QUIET)
    board.world.error = -timedelta(days=50)
    board.world.sets_clock_after = 3600.0

    board.live_until("2026-11-26T12:00")

    # The night that was missed is the one that the run without a date has served.
    assert board.sealed() == ["11-25 06:10", "11-26 02:30"]
    assert board.shelf.nightly_state.served == "2026-11-26"
    assert board.window.live is not None
    assert board.window.live.ran < 0
    begun = board.published[-1][0].begun
    assert begun.startswith("2026-11-25T06:0")  # 07:00 in Berlin: not the wrong clock's time


def test_what_a_run_without_a_date_came_to_gets_its_date_also_where_none_was_good() -> None:
    board = Board("2026-11-25T06:00", settings=QUIET)  # in Berlin: one hour before UTC
    board.world.error = -timedelta(days=50)
    board.world.sets_clock_after = 3600.0
    board.keeper.fails_with = lambda: SecurityError("another host key")

    board.live_until("2026-11-25T08:00")

    assert board.shelf.nightly_state.good is None
    assert board.last.clock_trusted
    assert board.last.at.startswith("2026-11-25T05:")


def test_a_run_that_waits_for_the_network_is_not_begun_twice_when_the_clock_comes() -> None:
    board = Board(NOON, settings=QUIET)
    board.live_until("2026-11-24T13:00")
    board.world.power_cuts = [Span.of("2026-11-24T14:00", "2026-11-25T06:00")]
    board.keeper.away = [Span.of("2026-11-24T14:00", "2026-11-25T06:30")]
    board.world.sets_clock_after = 1800.0

    board.live_until("2026-11-25T20:00")

    assert len(board.sealed()) == 1
    assert board.shelf.nightly_state.served == "2026-11-25"
    assert kinds(board) == []  # the tries before the clock came are of the same night


def test_a_restarted_daemon_knows_of_the_run_without_a_clock() -> None:
    board = Board(NOON, settings=QUIET)
    board.world.sets_clock_after = 1e9
    board.live_until("2026-11-24T15:00")

    board.new_daemon()
    board.live_until("2026-11-24T18:00")

    assert board.sealed() == ["11-24 12:10"]


# --- what goes wrong -----------------------------------------------------------------------------


def test_a_run_that_kills_the_daemon_is_not_begun_again_at_once() -> None:
    board = Board(NOON, settings=QUIET)

    class Killed(BaseException):
        pass

    def kill() -> Exception:
        raise Killed

    board.keeper.fails_with = kill
    with pytest.raises(Killed):
        board.live_until("2026-11-25T12:00")
    board.keeper.fails_with = lambda: None
    board.new_daemon()
    board.live_until("2026-11-26T12:00")

    assert board.sealed() == ["11-26 02:30"]
    assert kinds(board) == [MessageKind.FAILURE, MessageKind.RECOVERY]
    assert "ended from outside" in board.people.letters[0].body


def test_a_run_that_was_told_to_stop_is_no_failure_and_is_made_up_for() -> None:
    board = Board(NOON, settings=QUIET)

    class Told(BaseException):
        pass

    def stop() -> Exception:
        raise Told

    board.keeper.fails_with = stop
    with pytest.raises(Told):
        board.live_until("2026-11-25T12:00")
    board.daemon.stop()
    board.keeper.fails_with = lambda: None
    board.new_daemon()
    board.live_until("2026-11-25T12:00")

    assert board.sealed() == ["11-25 02:30"]
    assert "stopping" in board.manager.said
    assert kinds(board) == []


def test_the_log_has_fields_for_programs_that_search_it() -> None:
    board = Board(NOON, settings=QUIET)
    board.live_until("2026-11-25T12:00")
    board.keeper.fails_with = lambda: ZeroDivisionError("a bug")
    board.live_until("2026-11-26T12:00")

    ends = [fields for fields in board.lines.fields if "exit_code" in fields]

    assert [fields["board"] for fields in ends] == ["pier-3", "pier-3"]
    assert [bool(fields["capture"]) for fields in ends] == [True, False]
    assert [fields["exit_code"] for fields in ends] == ["0", "70"]


def test_a_fault_of_ours_is_told_with_its_traceback_and_does_not_end_the_nights() -> None:
    board = Board(NOON, settings=QUIET)
    board.keeper.fails_with = lambda: ZeroDivisionError("a bug")
    board.live_until("2026-11-25T12:00")

    board.keeper.fails_with = lambda: None
    board.live_until("2026-11-26T12:00")

    assert kinds(board) == [MessageKind.FAILURE, MessageKind.RECOVERY]
    assert "ZeroDivisionError: a bug" in board.people.letters[0].body
    assert any("Traceback" in text for level, text in board.lines.all if level == "warning")


@pytest.mark.parametrize(
    ("failure", "tries"),
    [
        (SecurityError("another host key"), 1),
        (VerificationError("files kept changing"), 2),
    ],
)
def test_what_will_not_mend_itself_is_not_tried_all_night(failure: Exception, tries: int) -> None:
    board = Board(NOON, settings=QUIET)
    board.keeper.fails_with = lambda: failure

    board.live_until("2026-11-25T12:00")

    assert len(board.keeper.began) == tries
    assert board.last.tries == tries
    assert kinds(board) == [MessageKind.FAILURE]


def test_another_kind_of_failure_is_told_too_but_one_recovery_ends_all() -> None:
    board = Board(NOON, settings=QUIET)
    board.live_until("2026-11-25T12:00")
    board.keeper.away = [Span.of("2026-11-26T00:00", "2026-11-26T12:00")]
    board.live_until("2026-11-26T20:00")
    board.keeper.fails_with = lambda: SecurityError("another host key")
    board.live_until("2026-11-27T20:00")
    board.keeper.fails_with = lambda: None

    board.live_until("2026-11-29T12:00")

    assert kinds(board) == [MessageKind.FAILURE, MessageKind.FAILURE, MessageKind.RECOVERY]
    assert LINE in board.people.letters[0].body
    assert "another host key" in board.people.letters[1].body


def test_somebody_elses_run_is_waited_for_and_never_met() -> None:
    board = Board(NOON, settings=QUIET)
    busy = Span.of("2026-11-25T02:00", "2026-11-25T02:47")
    board.keeper.fails_with = lambda: (
        BusyError("another run is active") if board.world.true in busy else None
    )

    board.live_until("2026-11-25T12:00")

    assert board.sealed() == ["11-25 02:50"]
    assert kinds(board) == []


def test_a_package_manager_is_waited_for() -> None:
    board = Board(NOON, settings=QUIET)
    at_work = Span.of("2026-11-25T02:00", "2026-11-25T02:37")
    board.readiness.packages = lambda: "dpkg is at work" if board.world.true in at_work else ""

    board.live_until("2026-11-25T12:00")

    assert board.sealed() == ["11-25 02:37"]


def test_a_package_manager_that_does_not_end_is_a_refusal_and_tried_again_later() -> None:
    board = Board(NOON, settings=QUIET)
    at_work = Span.of("2026-11-25T02:00", "2026-11-25T02:45")
    board.readiness.packages = lambda: "dpkg is at work" if board.world.true in at_work else ""

    board.live_until("2026-11-25T12:00")

    assert board.sealed() == ["11-25 03:10"]  # ten minutes, and half an hour


def test_too_little_power_postpones_three_times_and_then_fails() -> None:
    board = Board(NOON, settings=QUIET)
    board.readiness.bits = 0x50005

    board.live_until("2026-11-25T12:00")

    assert board.keeper.began == []
    assert board.last.tries == 4
    assert "voltage" in board.people.letters[0].body


def test_power_trouble_in_the_past_and_kernel_errors_need_attention() -> None:
    board = Board(NOON, settings=QUIET)
    board.readiness.bits = 0x50000
    board.readiness.errors = ("mmcblk0: error -110 sending status command",)

    board.live_until("2026-11-26T12:00")

    assert kinds(board) == [MessageKind.ATTENTION]
    body = board.people.letters[0].body
    assert "mmcblk0: error -110" in body
    assert "supply voltage has been too low" in body
    # Asked for what is new since the last look.
    assert board.readiness.asked_since == [0.0, pytest.approx(14.5 * 3600 + 600, abs=60)]


def test_a_card_that_cannot_be_written_does_not_end_the_nights() -> None:
    board = Board(NOON, settings=QUIET)
    board.shelf.fails = True

    board.live_until("2026-11-27T12:00")

    assert board.sealed() == ["11-25 02:30", "11-26 02:30", "11-27 02:30"]
    assert any("Read-only file system" in text for _, text in board.lines.all)


def test_a_night_that_is_overtaken_by_the_next_one_is_told() -> None:
    board = Board(NOON, settings="nightly: {spread_minutes: 0, retry_hours: 20}\n" + QUIET)
    board.world.power_cuts = [Span.of("2026-11-25T01:00", "2026-11-25T15:00")]
    board.keeper.away = [Span.of("2026-11-25T01:00", "2026-11-26T02:40")]

    board.live_until("2026-11-26T12:00")

    assert len(board.sealed()) == 1
    assert kinds(board) == [MessageKind.FAILURE, MessageKind.RECOVERY]


# --- silence -------------------------------------------------------------------------------------


def test_silence_is_told_once_and_ends_with_a_good_capture() -> None:
    board = Board(NOON, settings=QUIET)
    board.live_until("2026-11-25T12:00")
    board.keeper.away = [Span.of("2026-11-25T12:00", "2026-12-02T12:00")]

    board.live_until("2026-12-04T12:00")

    assert kinds(board) == [MessageKind.FAILURE, MessageKind.SILENCE, MessageKind.RECOVERY]
    silence = board.people.letters[1]
    assert silence.title == "pier-3: no good capture for 3 days"
    assert "000001-20261125T014000Z" in silence.body


def test_a_board_that_was_off_for_long_mends_that_before_it_complains() -> None:
    board = Board(NOON, settings=QUIET)
    board.live_until("2026-11-25T12:00")
    board.world.power_cuts = [Span.of("2026-11-25T13:00", "2026-12-15T08:00")]

    board.live_until("2026-12-16T12:00")

    assert kinds(board) == []


def test_a_capture_that_somebody_took_by_hand_breaks_the_silence() -> None:
    board = Board(NOON, settings=QUIET)
    board.keeper.fails_with = lambda: VerificationError("files kept changing")
    board.last_sealed = lambda: board.world.true - timedelta(days=1)

    board.live_until("2026-12-04T12:00")

    assert kinds(board) == [MessageKind.FAILURE]


# --- telling -------------------------------------------------------------------------------------


def test_nobody_to_tell_is_no_trouble() -> None:
    board = Board(NOON, settings=QUIET)
    board.people.who = ()
    board.keeper.fails_with = lambda: VerificationError("files kept changing")

    board.live_until("2026-12-04T12:00")

    assert board.shelf.nightly_state.outbox == ()
    assert board.shelf.nightly_state.trouble.reported != ()


def test_the_service_manager_hears_from_us_often_enough() -> None:
    board = Board(NOON, settings=QUIET)
    board.manager.patience = 900.0
    board.readiness.packages = lambda: "dpkg" if board.world.true.hour == 1 else ""

    board.live_until("2026-11-26T12:00")

    assert board.manager.said[0] == "ready"
    gaps = [later - earlier for earlier, later in pairwise(board.manager.heard)]
    assert max(gaps) <= 600
    # Longer than a rest and a wait only while a capture lasts: a thread speaks for that.
    assert sum(gap > 330 for gap in gaps) == len(board.sealed()) == 2
    assert set(board.manager.promised) == {12 * 3600.0}
    assert (
        "capturing; asking the keeper; failed tries: 1; next run 2026-11-26T01:30:00Z"
        in board.manager.said
    )


def test_a_new_board_has_an_empty_diary_and_says_when_it_is_due() -> None:
    board = Board(NOON)

    board.daemon.run_due()

    assert board.published[-1] == (
        board.shelf.nightly_state,
        datetime(2026, 11, 25, 1, 30, tzinfo=UTC),
    )
    assert board.shelf.nightly_state == NightlyState(
        begun="2026-11-24T11:00:00Z",
        served="2026-11-24",
        week=msgspec.structs.replace(board.shelf.nightly_state.week, since="2026-11-24T11:00:00Z"),
    )


# --- what a capture lacks ------------------------------------------------------------------------

SRV = Finding(kind=FindingKind.MISSING, what="/srv", why="it is on /dev/sda1", hint="copy it")


def test_what_a_capture_lacks_is_an_outcome_that_needs_attention_and_is_told() -> None:
    board = Board(NOON)
    board.keeper.findings = (SRV,)

    board.live_until("2026-11-25T12:00")

    last = board.shelf.nightly_state.last
    assert last is not None
    assert last.code == 8
    assert last.warnings == ("/srv: missing: it is on /dev/sda1; what to do: copy it",)
    assert kinds(board) == [MessageKind.ATTENTION]
    assert "/srv: missing: it is on /dev/sda1" in board.people.letters[0].body


def test_what_the_owner_leaves_out_is_no_alarm() -> None:
    board = Board(NOON)
    board.keeper.findings = (msgspec.structs.replace(SRV, kind=FindingKind.LEFT_OUT, hint=""),)

    board.live_until("2026-11-25T12:00")

    last = board.shelf.nightly_state.last
    assert last is not None
    assert (last.code, last.warnings, kinds(board)) == (0, (), [])
