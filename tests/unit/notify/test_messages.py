from __future__ import annotations

import msgspec

from holdstill.model.nightly_state import (
    Incident,
    Message,
    MessageKind,
    NightlyState,
    RunOutcome,
    Week,
)
from holdstill.notify import messages

FAILED = RunOutcome(
    at="2026-11-26T08:31:00Z",
    code=6,
    what="the keeper does not answer",
    hint="check the network",
    tries=17,
)
SEALED = RunOutcome(
    at="2026-11-27T02:41:00Z", code=0, what="sealed pier-3/000042", capture="000042", tries=1
)


def test_a_failure_says_what_and_what_to_do_and_that_silence_will_follow() -> None:
    letter = messages.about_run(MessageKind.FAILURE, "pier-3", FAILED, Incident())

    assert letter.title == "pier-3: no capture"
    assert letter.body.splitlines() == [
        "the keeper does not answer",
        "What to do: check the network",
        "It was tried 17 times.",
        "Nothing more is said about this until it is good again.",
    ]


def test_a_recovery_says_since_when_there_had_been_trouble() -> None:
    trouble = Incident(since="2026-11-25T08:31:00Z", reported=(6,))

    letter = messages.about_run(MessageKind.RECOVERY, "pier-3", SEALED, trouble)

    assert letter.title == "pier-3: captures are good again"
    assert "There had been trouble since 2026-11-25T08:31:00Z." in letter.body


def test_a_recovery_with_warnings_does_not_say_that_all_is_well() -> None:
    degraded = msgspec.structs.replace(SEALED, code=8, warnings=("2 files are unreadable",))

    letter = messages.about_run(MessageKind.RECOVERY, "pier-3", degraded, Incident(reported=(6,)))

    assert letter.title == "pier-3: captures again, but something needs attention"
    assert "- 2 files are unreadable" in letter.body


def test_names_of_files_cannot_steer_a_terminal_or_fill_a_card() -> None:
    hostile = "unreadable: \x1b[2J\r\n\u202egnp.exe" + "x" * 10_000
    degraded = msgspec.structs.replace(SEALED, code=8, warnings=(hostile,) * 500)

    letter = messages.about_run(MessageKind.ATTENTION, "pier-3", degraded, Incident())

    assert "\x1b" not in letter.body
    assert "\u202e" not in letter.body
    assert "\\x1b[2J\\r\\n\\u202egnp.exe" in letter.body
    assert len(letter.body) < 6000


def test_silence_names_the_last_good_capture_and_the_last_failure() -> None:
    state = NightlyState(good=SEALED, last=FAILED)

    letter = messages.about_silence("pier-3", state, since=SEALED.at, days=3, at=FAILED.at)

    assert "The last one is 000042." in letter.body
    assert "The last run failed: the keeper does not answer" in letter.body


def test_a_week_is_a_few_numbers() -> None:
    week = Week(
        since="2026-11-20T09:00:00Z", sealed=6, failed=1, new_bytes=3 << 20,
        longest_frozen_ms=97.4,
    )  # fmt: skip
    state = NightlyState(
        good=SEALED, trouble=Incident(since="2026-11-26T08:31:00Z", reported=(6,))
    )

    letter = messages.about_week("pier-3", week, state, due="2026-11-28T01:30:00Z", at="now")

    counts = "captures: 6, failed runs: 1, 3.0 MiB new, frozen for 97 ms at most."
    assert letter.body.splitlines() == [
        f"Since 2026-11-20T09:00:00Z: {counts}",
        "Last good capture: 000042, 2026-11-27T02:41:00Z.",
        "There is trouble since 2026-11-26T08:31:00Z.",
        "Next run: 2026-11-28T01:30:00Z.",
    ]


def letter(number: int, *to: str) -> Message:
    return Message(kind=MessageKind.FAILURE, title=f"{number}", body="", at="", to=to)


def test_a_letter_stays_until_everybody_who_is_still_there_has_it() -> None:
    first, second = letter(1, "a", "b", "moved"), letter(2, "a", "b", "moved")

    outbox = messages.delivered((first, second), first, reached={"a"}, known={"a", "b"})

    assert outbox == (letter(1, "b"), second)
    assert messages.delivered(outbox, outbox[0], reached={"b"}, known={"a", "b"}) == (second,)


def test_the_outbox_does_not_grow_for_ever() -> None:
    outbox: tuple[Message, ...] = ()
    for number in range(100):
        outbox = messages.posted(outbox, letter(number), ("a",))

    assert [int(each.title) for each in outbox] == list(range(80, 100))
    assert messages.posted((), letter(1), ()) == ()
