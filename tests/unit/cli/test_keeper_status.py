"""The verdict of `status` at a keeper is as the worst of what stands below it."""

from __future__ import annotations

import io

from holdstill.cli import keeper_status
from holdstill.cli.consoles import Console
from holdstill.workflow.silence import BoardSilence, Look

LACKING = ("firmware: kernel: none of kernel8.img",)


def good(name: str) -> BoardSilence:
    return BoardSilence(board=name, newest="000001-x", whole="000001-x", captures=1, limit=3)


def never_boots(name: str) -> BoardSilence:
    return BoardSilence(
        board=name, newest="000001-x", whole="000001-x", captures=1, limit=3, never_boots=LACKING
    )


def shown(looked: Look, *, alarms: tuple[str, ...] = ()) -> list[str]:
    out = io.StringIO()
    keeper_status.show(looked, Console(file=out, width=200), alarms=alarms)
    return out.getvalue().splitlines()


def test_all_is_well_where_it_is() -> None:
    lines = shown(Look(boards=(good("pier-3"),)))

    assert lines[0].startswith("All is well: 1 board")
    assert lines[-1] == "what to do: nothing"


def test_a_board_that_would_not_boot_is_not_well() -> None:
    first, *others = shown(Look(boards=(good("pier-3"), never_boots("pier-4"))))

    assert first == (
        "Captures come in, but a card of 1 of 2 boards WOULD NOT BOOT, as far as files can tell"
    )
    assert [line.split()[0] for line in others[1:3]] == ["pier-4", "pier-3"]  # the worst first
    assert f"pier-4: a card of it would not boot: {LACKING[0]}" in others
    assert others[-1].startswith("what to do about pier-4: `holdstill show pier-4` says")


def test_of_many_boards_those_that_would_not_boot_are_listed() -> None:
    boards = tuple(good(f"pier-{number}") for number in range(30))

    lines = shown(Look(boards=(*boards, never_boots("quay-1"))))

    assert any(line.startswith("quay-1") and "WOULD NOT BOOT" in line for line in lines)


def test_alarms_that_reach_nobody_are_not_well() -> None:
    first, *others = shown(Look(boards=(good("pier-3"),)), alarms=("no address is given",))

    assert first == "SOMEBODY HAS TO LOOK: people may not hear of what goes wrong"
    assert "NEEDS A LOOK: no address is given" in others
    assert "what to do: nothing" not in others
