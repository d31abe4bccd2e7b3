"""Lists of captures, for people."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from holdstill.cli.columns import Column, Table
from holdstill.keeper import retention
from holdstill.model.boot import BootVerdict
from holdstill.model.sizes import counted, human

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from holdstill.cli.consoles import Console
    from holdstill.model.names import BoardName
    from holdstill.model.protocol import CaptureBrief
    from holdstill.model.settings import Retention

BOOT_WORDS = {
    BootVerdict.WHOLE: "should boot",
    BootVerdict.BROKEN: "WOULD NOT BOOT",
    BootVerdict.UNKNOWN: "not known",
}
"""Of what is there; only a rehearsal boots it."""


def own_rule(own: Retention | None) -> str:
    """Return the rule that a board has for itself, to stand behind its name; "" for none."""
    if own is None:
        return ""
    kept = ", ".join(
        counted(count, unit)
        for count, unit in (
            (own.days, "day"), (own.weeks, "week"), (own.months, "month"), (own.years, "year"),
        )
    )  # fmt: skip
    return f" (retention of its own: {kept}, at least {counted(own.at_least, 'capture')})"


IN_CLEAR = "holds, unencrypted, what is encrypted on the card"


def briefs(
    board: str,
    found: Sequence[CaptureBrief],
    own: Retention | None,
    *,
    now: datetime,
    out: Console,
    is_long: bool = False,
) -> None:
    """Show a board's captures, oldest first; below them, of which there is more to say.

    is_long: whether also what finds no room in a line.
    """
    if not found:
        out.print(f"{board}{own_rule(own)}: no captures yet")
        return
    rows = Table(
        Column("capture"), Column("age", is_number=True), Column("state"), Column("boots", rank=1),
        Column("verified", rank=2), Column("grade", rank=3, is_detail=not is_long),
        Column("size", rank=4, is_number=True, is_detail=not is_long),
        Column("new", rank=5, is_number=True, is_detail=not is_long),
        Column("frozen", rank=6, is_number=True, is_detail=not is_long),
        Column("entries", rank=7, is_number=True, is_detail=not is_long),
        Column("note", rank=8, is_detail=not is_long),
    )  # fmt: skip
    for brief in found:
        rows.add_row(
            brief.name, age(brief.arrived_at or brief.taken_at, now), _state(brief, now),
            _boots(brief), brief.verified_at[:10] or "-", brief.grade, human(brief.content_bytes),
            human(brief.new_bytes), f"{brief.frozen_ms:.0f} ms", f"{brief.entries:,}",
            brief.note or "-",
        )  # fmt: skip
    out.print(f"{board}{own_rule(own)}:")
    out.print(rows)
    for brief in found:
        clear = IN_CLEAR if brief.in_clear else ""
        more_said = filter(None, (brief.completeness, clear, _date_doubt(brief, now)))
        for said in (*brief.trouble, *more_said):
            out.print(f"{brief.name}: {said}")
    if hidden := rows.left_out(out.width):
        out.print(f"--long shows also: {', '.join(hidden)}")


def overview(
    found: Mapping[BoardName, Sequence[CaptureBrief]],
    own: Mapping[BoardName, Retention],
    *,
    now: datetime,
    out: Console,
) -> None:
    """Show a line for each board: its newest capture, and how many there are."""
    rows = Table(
        Column("board"), Column("captures", rank=1, is_number=True), Column("newest"),
        Column("age", is_number=True), Column("state"), Column("boots", rank=2),
    )  # fmt: skip
    for board, of_board in found.items():
        if not of_board:
            rows.add_row(board, "0", "-", "-", "none yet", "-")
            continue
        newest = of_board[-1]
        rows.add_row(
            board, f"{len(of_board):,}", newest.name,
            age(newest.arrived_at or newest.taken_at, now), _states(of_board, now),
            _boots(newest),
        )  # fmt: skip
    out.print(rows)
    for board, rule in own.items():
        out.print(f"{board}{own_rule(rule)}")
    captures = sum(map(len, found.values()))
    out.print(
        f"{counted(len(found), 'board')}, {counted(captures, 'capture')}; of each board the "
        "newest was checked, older ones are told as they were sealed: `holdstill list BOARD` "
        "checks all of one"
    )


def _states(of_board: Sequence[CaptureBrief], now: datetime) -> str:
    """Say how the newest capture is, and how many of the others are in trouble."""
    others = sum(bool(brief.trouble) for brief in of_board[:-1])
    also = f", {others} older in trouble" if others else ""
    return _state(of_board[-1], now) + also


def _state(brief: CaptureBrief, now: datetime) -> str:
    """Say in a word or two whether a capture is good; what is wrong with it stands below."""
    if brief.faults:
        found = "UNUSABLE"
    elif brief.damaged_at:
        found = "DAMAGED"
    elif brief.unread_at:
        found = "NOT READ"
    elif brief.missing or brief.not_rebuildable:
        found = "not whole"
    else:
        found = "date in doubt" if _date_doubt(brief, now) else "good"
    return f"{found}, pinned" if brief.pinned else found


def _date_doubt(brief: CaptureBrief, now: datetime) -> str:
    """Say why retention does not go by the date of a capture; "" if it does."""
    if brief.faults or retention.trusted_date(brief, now) is not None:
        return ""
    if not brief.clock_trusted:
        return f"its date is in doubt: the board did not trust its clock, {brief.taken_at}"
    return (
        f"its date is in doubt: taken at {brief.taken_at} by the board's clock, it arrived at "
        f"{brief.arrived_at} by the keeper's"
    )


def _boots(brief: CaptureBrief) -> str:
    """Say whether a capture boots: since when that is proven, or what its files promise."""
    if brief.booted_at:
        return f"booted {brief.booted_at[:10]}"
    return "-" if brief.boot is None else BOOT_WORDS[brief.boot.verdict]


def age(since: str, now: datetime) -> str:
    """Return how long ago an RFC 3339 moment was, in its largest unit; ? for none with a zone."""
    try:
        seconds = (now - datetime.fromisoformat(since)).total_seconds()
    except (ValueError, TypeError):  # the latter: without a zone, it is no moment
        return "?"
    for unit, length in (("d", 86400), ("h", 3600), ("min", 60)):
        if seconds >= 2 * length:
            return f"{seconds / length:.0f} {unit}"
    return f"{max(seconds, 0):.0f} s"
