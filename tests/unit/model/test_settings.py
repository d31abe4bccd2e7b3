"""What a person may set: refused by default where it makes no sense or could hurt."""

from __future__ import annotations

from pathlib import Path

import pytest

from holdstill.errors import DocumentError
from holdstill.model import settings
from holdstill.model.settings import HookHow, OverBudget, Unreadable
from holdstill.model.sizes import ByteSize

LEAST = "board: pier-3\nkeeper: ssh://boathouse@keeper.example\n"
KEEPER = "store: /srv/captures\n"


def board(text: str) -> tuple[str, ...]:
    with pytest.raises(DocumentError) as failure:
        settings.decode_board_settings((LEAST + text).encode())
    return failure.value.problems


def keeper(text: str) -> tuple[str, ...]:
    with pytest.raises(DocumentError) as failure:
        settings.decode_keeper_settings(text.encode())
    return failure.value.problems


def test_little_must_be_said_and_the_rest_is_careful() -> None:
    found = settings.decode_board_settings(LEAST.encode())

    assert found.pause.ceiling == 5.0
    assert found.pause.over_budget is OverBudget.ABANDON
    assert found.unreadable is Unreadable.REFUSE
    assert found.hooks == ()


def test_a_hook_is_read() -> None:
    text = "hooks:\n- {name: tide, how: stop, subject: tide-gauge.service, timeout: 5}\n"

    (hook,) = settings.decode_board_settings((LEAST + text).encode()).hooks

    assert (hook.how, hook.subject, hook.required) == (HookHow.STOP, "tide-gauge.service", True)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("raw_limit: lots\n", "raw_limit: 'lots' is not a size"),
        ("root: boot\n", "root: must be an absolute path"),
        ("full_scan_every: 0\n", "full_scan_every: must be 1 or more"),
        ("pause: {target: 0}\n", "pause.target: must be above 0 and not above pause.ceiling"),
        ("pause: {target: 6}\n", "pause.target: must be above 0 and not above pause.ceiling"),
        ("pause: {ceiling: 11}\n", "pause.ceiling: must be above 0 and at most 10 seconds"),
        ("pause: {spool_share: 0.9}\n", "pause.spool_share: must be above 0 and at most 0.8"),
        ("pause: {rounds: 0}\n", "pause.rounds: must be 1 or more"),
        (
            "hooks: [{name: a, how: command}]\n",
            "hooks[0]: needs `quiesce` or `resume`, each a list of words",
        ),
        ("hooks: [{name: a, how: stop}]\n", "hooks[0].subject: missing"),
        (
            "hooks: [{name: a, how: stop, subject: b, timeout: 0}]\n",
            "hooks[0].timeout: must be above 0",
        ),
        ("paus: {}\n", 'paus: unknown key; did you mean "pause"?'),
    ],
)
def test_settings_that_make_no_sense_are_refused_by_key(text: str, problem: str) -> None:
    assert board(text) == (problem,)


def test_all_problems_are_told_at_once() -> None:
    with pytest.raises(DocumentError) as failure:
        settings.decode_board_settings(b"board: Pier 3\nkeeper: boathouse\nstate: here\n")

    assert [problem.split(":")[0] for problem in failure.value.problems] == [
        "keeper", "state", "board",
    ]  # fmt: skip


def test_what_must_never_be_paused_is_refused_with_the_reason() -> None:
    text = (
        "never_pause: [heater.service]\nhooks: [{name: a, how: stop, subject: heater.service}]\n"
    )

    (problem,) = board(text)

    assert "never_pause names it" in problem
    assert "heat" in problem


# A shell line is text for a shell; commands are words.
def test_a_command_that_is_no_list_of_words_is_refused() -> None:
    (problem,) = board("hooks: [{name: a, how: command, quiesce: 'rm -rf /'}]\n")

    assert problem.startswith("hooks[0].quiesce: must be a list")


def test_a_keeper_needs_only_a_store() -> None:
    found = settings.decode_keeper_settings(KEEPER.encode())

    assert found.store == Path("/srv/captures")
    assert found.retention.at_least == 3


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("store: captures\n", "store: must be an absolute path"),
        (KEEPER + "retention: {days: -1}\n", "retention.days: must not be negative"),
        (KEEPER + "min_free: none\n", "min_free: 'none' is not a size"),
        (
            KEEPER + "limits: {bytes_per_run: much}\n",
            "limits.bytes_per_run: 'much' is not a size",
        ),
    ],
)
def test_a_keeper_refuses_by_key_too(text: str, problem: str) -> None:
    assert keeper(text) == (problem,)


@pytest.mark.parametrize("extra", [0, 1])
def test_s20_settings_end_at_their_limit(extra: int) -> None:
    text = LEAST.encode()
    data = text + b"#" * (settings.LIMIT - len(text) + extra)

    if extra:
        with pytest.raises(DocumentError, match="larger than 262144 bytes"):
            settings.decode_board_settings(data)
    else:
        assert settings.decode_board_settings(data).board == "pier-3"


def test_wrong_values_are_told_beside_wrong_keys_and_types() -> None:
    text = b"""\
bord: x
keeper: ftp://x
root: relative
raw_limit: lots
unreadable: maybe
pause: {ceiling: 99, target: "no"}
"""

    with pytest.raises(DocumentError) as caught:
        settings.decode_board_settings(text)

    places = {problem.partition(":")[0] for problem in caught.value.problems}
    assert places == {
        "bord", "board", "keeper", "root", "raw_limit", "unreadable", "pause.ceiling",
        "pause.target",
    }  # fmt: skip


def test_a_word_that_is_none_of_a_few_is_answered_with_the_few() -> None:
    text = b"board: pier-3\nkeeper: /srv/holdstill\nunreadable: maybe\n"

    with pytest.raises(DocumentError, match="expected one of refuse, accept; found 'maybe'"):
        settings.decode_board_settings(text)


def test_the_store_is_known_whatever_is_wrong_with_the_rest() -> None:
    data = b"store: /srv/boathouse\nretention: {day: 7}\nnotify: {silent_days: 4, urls: x}\n"

    assert settings.keeper_store(data) == Path("/srv/boathouse")
    with pytest.raises(DocumentError, match="unknown key"):
        settings.keeper_notify(data)
    with pytest.raises(DocumentError, match="store"):
        settings.keeper_store(b"store: [1]\n")


def test_whom_to_tell_is_known_whatever_is_wrong_with_the_rest() -> None:
    data = b"store: /srv/boathouse\nretention: {day: 7}\nnotify: {silent_days: 4}\n"

    found = settings.keeper_notify(data)

    assert (found.store, found.notify.silent_days) == (Path("/srv/boathouse"), 4)
    assert found.retention == settings.KeeperSettings(store=found.store).retention


@pytest.mark.parametrize(("text", "is_few"), [("256", True), ("256M", False), ("0", False)])
def test_few_bytes_to_be_left_free_are_a_slip(text: str, *, is_few: bool) -> None:
    data = f"store: /srv/boathouse\nmin_free: {text}\n".encode()

    if is_few:
        with pytest.raises(DocumentError, match="min_free: 256 is 256 bytes; write 256M"):
            settings.decode_keeper_settings(data)
    else:
        assert settings.decode_keeper_settings(data).min_free == ByteSize.parse(text)
