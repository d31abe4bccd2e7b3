"""How a keeper's store and boards are doing: the verdict first, what to do last."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.cli.columns import Column, Table
from holdstill.model import names
from holdstill.model.sizes import counted, human

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.cli.consoles import Console
    from holdstill.workflow.silence import BoardSilence, Look

FEW = 12
"""So many boards are listed one by one; of more, those that are well are counted."""
_SILENT = (
    "see whether it is on and reaches this keeper, and what `holdstill status` on it says; the "
    "keys of one that is gone for good are withdrawn by `holdstill keeper retire`"
)
_LACKING = "`holdstill show {board}` says what its newest capture lacks, and what to do"
_NEVER_BOOTS = (
    "`holdstill show {board}` says what it lacks; `holdstill rehearse {board}` tries whether it "
    "boots"
)


def show(looked: Look, out: Console, *, alarms: Sequence[str] = (), is_long: bool = False) -> None:
    """Show what needs a look in a keeper's store, and how its boards are doing.

    Args:
        looked: what was seen.
        out: where it is shown.
        alarms: why people may not hear of all this, in sentences.
        is_long: whether every board is listed, however many.
    """
    worst_first = sorted(looked.boards, key=_gravity)
    bad = [state for state in worst_first if state.needs_a_look]
    doubtful = [state for state in worst_first if state.never_boots and not state.needs_a_look]
    is_well = not (bad or doubtful or looked.store or alarms)
    out.print(verdict(looked, has_alarms=bool(alarms)), style="green" if is_well else "yellow")
    for trouble in looked.store:
        out.print(f"NEEDS A LOOK: {trouble}", style="yellow")
    listed = worst_first if is_long or len(worst_first) <= FEW else [*bad, *doubtful]
    if listed:
        out.print(_table(listed))
    if left := len(worst_first) - len(listed):
        out.print(f"{counted(left, 'board is', 'boards are')} well; --long lists all")
    for state in bad:
        out.print(f"NEEDS A LOOK: {state.problem}", style="yellow")
    for state in doubtful:
        lacks = "; ".join(state.never_boots)
        out.print(f"{state.board}: a card of it would not boot: {lacks}", style="yellow")
    for trouble in alarms:
        out.print(f"NEEDS A LOOK: {trouble}", style="yellow")
    if looked.total_bytes:
        free = looked.free_bytes * 100 // looked.total_bytes
        kept = sum(state.captures for state in looked.boards)
        out.print(
            f"Store: {counted(kept, 'capture')} kept; {human(looked.free_bytes)} of "
            f"{human(looked.total_bytes)} free ({free} %)"
        )
    _what_to_do(looked, [*bad, *doubtful], out, has_more=bool(alarms or looked.store))


def verdict(looked: Look, *, has_alarms: bool = False) -> str:
    """Return in one line whether all is well; it is as the worst of all that is shown.

    Args:
        looked: what was seen.
        has_alarms: whether people may not hear of it.
    """
    boards = looked.boards
    bad = sum(state.needs_a_look for state in boards)
    of_boards = f"{bad} of {counted(len(boards), 'board')}"
    if bad or looked.store:
        whose = [*(["the store"] if looked.store else []), *([of_boards] if bad else [])]
        return f"SOMEBODY HAS TO LOOK: at {' and at '.join(whose)}"
    if has_alarms:
        return "SOMEBODY HAS TO LOOK: people may not hear of what goes wrong"
    if never := [state.board for state in boards if state.never_boots]:
        return (
            f"Captures come in, but a card of {len(never)} of {counted(len(boards), 'board')} "
            "WOULD NOT BOOT, as far as files can tell"
        )
    if not boards:
        return "All is well, and no board is let in yet"
    expected = [state for state in boards if not state.is_retired]
    if not expected:
        return f"All is well: {counted(len(boards), 'board')}, of which none is to capture"
    oldest = max(expected, key=lambda state: state.days)
    if not oldest.newest:
        return f"All is well: {counted(len(boards), 'board')}, not all captured yet"
    return (
        f"All is well: {counted(len(boards), 'board')}; no last capture is older than "
        f"{oldest.age} ({oldest.board})"
    )


def _gravity(state: BoardSilence) -> tuple[object, ...]:
    """Return a key by which the worst board comes first, and equals in their natural order."""
    code = state.exit_code
    return (
        *(not state.needs_a_look, state.trouble is None, -code, not state.never_boots),
        names.natural(state.board),
    )


def _table(states: Sequence[BoardSilence]) -> Table:
    rows = Table(
        Column("board"), Column("state"), Column("newest good capture", rank=1),
        Column("age", is_number=True), Column("captures", rank=2, is_number=True, is_detail=True),
    )  # fmt: skip
    for state in states:
        is_dated = bool(state.newest)
        rows.add_row(
            state.board, _state(state), state.whole or state.newest or "-",
            state.age if is_dated else "-", "-" if state.trouble else f"{state.captures:,}",
        )  # fmt: skip
    return rows


def _state(state: BoardSilence) -> str:
    if state.trouble:
        return "IN TROUBLE"
    if state.is_silent:
        return "SILENT"
    if state.boot_lacks:
        return "WOULD NOT BOOT"
    if state.incomplete:
        return "NOT WHOLE"
    if state.never_boots:
        return "WOULD NOT BOOT"
    return "withdrawn" if state.is_retired else "good" if state.newest else "none yet"


def _what_to_do(
    looked: Look, bad: Sequence[BoardSilence], out: Console, *, has_more: bool
) -> None:
    """Say what to do about every board that needs a look; about the store, that stands there."""
    if not looked.boards:
        out.print("what to do: `holdstill keeper enrol` lets a board in")
    groups: dict[str, list[str]] = {}
    for state in bad:
        if state.trouble:
            hint = state.trouble.hint
        else:
            words = _LACKING if state.needs_a_look else _NEVER_BOOTS
            hint = _SILENT if state.is_silent else words.format(board=state.board)
        groups.setdefault(hint, []).append(state.board)
    for hint, boards in groups.items():
        out.print(f"what to do about {', '.join(boards)}: {hint}")
    if looked.boards and not bad and not has_more:
        out.print("what to do: nothing")
