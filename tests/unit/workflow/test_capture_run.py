"""What a board believes of the keeper that it begins a run at."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import SecurityError
from holdstill.model.protocol import CaptureBrief, Hello, RunStarted
from holdstill.workflow import board_state, capture_run
from holdstill.workflow.board_state import LastCapture

if TYPE_CHECKING:
    from pathlib import Path

LAST, OTHER = "a" * 64, "b" * 64


def started(seq: int, previous: str) -> RunStarted:
    return RunStarted(run="abcdefgh", seq=seq, previous=previous, folders=("c",))


@pytest.mark.parametrize("seq", [1, 41, 42])
def test_m18_a_keeper_that_counts_backwards_is_refused(seq: int, tmp_path: Path) -> None:
    with board_state.opened(tmp_path) as kept:
        kept.save(LastCapture(board="pier-3", keeper="/k", seq=42, manifest=LAST), b"")

        with pytest.raises(SecurityError, match="after capture 42"):
            capture_run.check_number(started(seq, LAST), kept)


@pytest.mark.parametrize(
    ("seq", "previous"), [(43, LAST), (1, ""), (7, OTHER)], ids=["next", "new keeper", "other"]
)
def test_a_keeper_that_goes_on_or_knows_nothing_is_believed(
    seq: int, previous: str, tmp_path: Path
) -> None:
    with board_state.opened(tmp_path) as kept:
        kept.save(LastCapture(board="pier-3", keeper="/k", seq=42, manifest=LAST), b"")

        capture_run.check_number(started(seq, previous), kept)


@pytest.mark.parametrize(("seq", "is_said"), [(1, False), (42, False), (43, False), (44, True)])
def test_captures_of_another_machine_are_told(seq: int, *, is_said: bool) -> None:
    said = capture_run.stranger(started(seq, OTHER), 42)

    assert ("another machine uses this board's key" in said) is is_said
    assert ("captures were lost there" in said) is (seq <= 42)
    assert not capture_run.stranger(started(seq, OTHER), 0)


@pytest.mark.parametrize("damaged_at", ["", "2026-11-24T03:00:00Z"])
def test_damage_that_the_keeper_knows_of_is_told_before_one_builds_on_it(damaged_at: str) -> None:
    newest = CaptureBrief(
        name="000007-20261124T021503Z", seq=7, manifest="", index="", grade="", taken_at="",
        damaged_at=damaged_at,
    )  # fmt: skip
    hello = Hello(protocol=1, board="pier-3", free_bytes=1, free_inodes=1, now="",
                  newest=newest)  # fmt: skip

    said = capture_run.known_damage(hello)

    assert (newest.name in said) == ("`holdstill verify --repair`" in said) == bool(damaged_at)
    assert capture_run.known_damage(msgspec.structs.replace(hello, newest=None)) == ""
