from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from holdstill.model.nightly_state import SILENT, Incident, MessageKind, RunOutcome
from holdstill.notify import incidents

AT = "2026-11-25T02:41:03Z"


def outcome(code: int) -> RunOutcome:
    return RunOutcome(at=AT, code=code, what="words", capture="000042" if code in {0, 8} else "")


def told(*codes: int) -> list[MessageKind | None]:
    """Return what is told of runs that end so, one after the other."""
    trouble, kinds = Incident(), []
    for code in codes:
        trouble, kind = incidents.judge(trouble, outcome(code))
        kinds.append(kind)
    return kinds


def test_good_captures_are_not_news() -> None:
    assert told(0, 0, 0) == [None, None, None]


def test_a_failure_is_told_once_and_its_end_once() -> None:
    assert told(6, 6, 6, 0, 0) == [MessageKind.FAILURE, None, None, MessageKind.RECOVERY, None]


def test_failures_that_alternate_are_told_once_each() -> None:
    assert told(6, 7, 6, 7, 9, 0) == [
        MessageKind.FAILURE, MessageKind.FAILURE, None, None,
        MessageKind.FAILURE, MessageKind.RECOVERY,
    ]  # fmt: skip


def test_what_needs_attention_is_told_once_until_it_is_gone() -> None:
    assert told(8, 8, 0, 8) == [
        MessageKind.ATTENTION,
        None,
        MessageKind.RECOVERY,
        MessageKind.ATTENTION,
    ]


def test_a_capture_with_warnings_ends_a_failure_and_its_warnings_are_in_that_message() -> None:
    assert told(6, 8, 8, 0) == [
        MessageKind.FAILURE,
        MessageKind.RECOVERY,
        None,
        MessageKind.RECOVERY,
    ]


def test_a_failure_after_warnings_and_its_end_are_told() -> None:
    assert told(8, 6, 8, 6, 0) == [
        MessageKind.ATTENTION, MessageKind.FAILURE, MessageKind.RECOVERY,
        MessageKind.FAILURE, MessageKind.RECOVERY,
    ]  # fmt: skip


@given(st.lists(st.sampled_from([0, 0, 3, 4, 5, 6, 7, 8, 9, 70]), max_size=40))
def test_every_incident_has_one_beginning_of_each_kind_and_one_end(codes: list[int]) -> None:
    kinds = told(*codes)

    open_failures: set[int] = set()
    for code, kind in zip(codes, kinds, strict=True):
        if code in {0, 8}:
            assert (kind is MessageKind.RECOVERY) == bool(open_failures - ({8} if code else set()))
            open_failures = {8} if code else set()
        else:
            assert (kind is MessageKind.FAILURE) == (code not in open_failures)
            open_failures.add(code)


def test_silence_is_told_once_when_the_days_are_over() -> None:
    start = datetime(2026, 11, 25, 2, 41, 3, tzinfo=UTC)
    trouble, kinds = Incident(), []

    for hours in (71, 72, 73, 300):
        now = start + timedelta(hours=hours)
        trouble, kind = incidents.judge_silence(trouble, quiet_since=start, now=now, days=3)
        kinds.append(kind)

    assert kinds == [None, MessageKind.SILENCE, None, None]
    assert trouble == Incident(since=AT, reported=(SILENT,))
    assert incidents.judge(trouble, outcome(0)) == (Incident(), MessageKind.RECOVERY)
