"""The text of messages, and the outbox that keeps them until they are delivered. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from holdstill.model.foreign_text import printable
from holdstill.model.nightly_state import DEGRADED, Message, MessageKind
from holdstill.model.sizes import counted, human

if TYPE_CHECKING:
    from collections.abc import Collection

    from holdstill.model.nightly_state import Incident, NightlyState, RunOutcome, Week

OUTBOX_MOST = 20
"""Letters that wait at most; the oldest go first, so that the file stays small."""
_LINES_MOST = 10
_LINE_LONGEST = 500


def about_run(kind: MessageKind, board: str, outcome: RunOutcome, trouble: Incident) -> Message:
    """Write about a run: that it failed, needs attention, or is good again.

    Args:
        kind: what it is about.
        board: which board.
        outcome: how the run ended.
        trouble: the incident as it was before that.
    """
    titles = {
        MessageKind.FAILURE: f"{board}: no capture",
        MessageKind.ATTENTION: f"{board}: captured, but something needs attention",
        MessageKind.RECOVERY: f"{board}: captures are good again",
    }
    if kind is MessageKind.RECOVERY and outcome.code == DEGRADED:
        titles[kind] = f"{board}: captures again, but something needs attention"
    lines = [outcome.what]
    if kind is MessageKind.RECOVERY and trouble.since:
        lines.append(f"There had been trouble since {trouble.since}.")
    lines += [f"- {warning}" for warning in outcome.warnings[:_LINES_MOST]]
    if outcome.hint:
        lines.append(f"What to do: {outcome.hint}")
    if kind is MessageKind.FAILURE:
        count = outcome.tries
        tries = "It was tried once." if count == 1 else f"It was tried {count} times."
        lines += [tries, "Nothing more is said about this until it is good again."]
    return _letter(kind, titles[kind], lines, outcome.at)


def about_silence(board: str, state: NightlyState, *, since: str, days: int, at: str) -> Message:
    """Write that there has been no good capture for days."""
    last = f"The last one is {state.good.capture}." if state.good else "There was none yet."
    lines = [f"There has been no good capture since {since}. {last}"]
    if state.last is not None and not state.last.is_sealed:
        failed = "" if state.last.is_unfinished else "The last run failed: "
        lines.append(f"{failed}{state.last.what}")
        if state.last.is_unfinished:
            lines.append(f"What to do: {state.last.hint}")
    return _letter(MessageKind.SILENCE, f"{board}: no good capture for {days} days", lines, at)


def about_week(board: str, week: Week, state: NightlyState, *, due: str, at: str) -> Message:
    """Write the weekly summary."""
    counts = f"captures: {week.sealed}, failed runs: {week.failed}"
    if week.unfinished:
        counts += f", nights that were too short: {week.unfinished}"
    costs = f"{human(week.new_bytes)} new, frozen for {week.longest_frozen_ms:.0f} ms at most"
    lines = [f"Since {week.since}: {counts}, {costs}."]
    if state.good is not None:
        lines.append(f"Last good capture: {state.good.capture}, {state.good.at}.")
    if state.trouble.reported:
        lines.append(f"There is trouble since {state.trouble.since}.")
    lines.append(f"Next run: {due}.")
    return _letter(MessageKind.SUMMARY, f"{board}: the week in captures", lines, at)


def about_boards(kind: MessageKind, keeper: str, lines: list[str], *, at: str) -> Message:
    """Write for the keeper that boards have fallen silent, or are back."""
    if kind is MessageKind.SILENCE:
        what = counted(len(lines), "board needs a look", "boards need a look")
    else:
        what = counted(len(lines), "board is well again", "boards are well again")
    return _letter(kind, f"{keeper}: {what}", lines, at)


def about_store(keeper: str, troubles: Collection[str], *, at: str) -> Message:
    """Write for the keeper that the store itself needs a look, or is well again."""
    if troubles:
        return _letter(
            MessageKind.SILENCE, f"{keeper}: the store of all boards needs a look",
            list(troubles)[:_LINES_MOST], at,
        )  # fmt: skip
    return _letter(
        MessageKind.RECOVERY, f"{keeper}: the store of all boards is well again",
        ["What was wrong with it as a whole is mended."], at,
    )  # fmt: skip


def about_lost_store(keeper: str, store: str, why: str, hint: str, *, at: str) -> Message:
    """Write for the keeper that its store cannot be looked at."""
    lines = [why, f"What to do: {hint}"] if hint else [why]
    lines.append(
        f"As long as {store} cannot be used, no board can capture and none is watched. This is "
        "said at every look, for there is nowhere to remember that it was said."
    )
    return _letter(
        MessageKind.SILENCE, f"{keeper}: the store of all boards is out of reach", lines, at
    )


def about_nothing(host: str, *, at: str) -> Message:
    """Write that this is a trial."""
    lines = [
        f"Somebody at {host} tries whether messages of holdstill arrive.",
        "This one did. Nothing is wrong, and there is nothing to do.",
    ]
    return _letter(MessageKind.SUMMARY, f"{host}: a trial message", lines, at)


def undelivered(count: int) -> str:
    """Return the sentence about messages that wait; "" for none."""
    if not count:
        return ""
    waiting = counted(count, "message has", "messages have")
    return f"{waiting} not been delivered yet; `holdstill try-alarms` shows who can be reached"


def _letter(kind: MessageKind, title: str, lines: list[str], at: str) -> Message:
    """Write a message; file names in its lines may come from anybody."""
    shown = [printable(line, longest=_LINE_LONGEST) for line in lines]
    title = printable(title, longest=_LINE_LONGEST)
    return Message(kind=kind, title=title, body="\n".join(shown), at=at)


def posted(
    outbox: tuple[Message, ...], message: Message, to: Collection[str]
) -> tuple[Message, ...]:
    """Return the outbox with one more message; unchanged if there are no recipients."""
    if not to:
        return outbox
    return (*outbox, msgspec.structs.replace(message, to=tuple(to)))[-OUTBOX_MOST:]


def delivered(
    outbox: tuple[Message, ...], message: Message, reached: Collection[str], known: Collection[str]
) -> tuple[Message, ...]:
    """Return the outbox after a message has reached some; removed recipients are dropped."""
    left = tuple(who for who in message.to if who not in reached and who in known)
    rest = [msgspec.structs.replace(message, to=left)] if left else []
    return tuple(x for old in outbox for x in (rest if old is message else [old]))
