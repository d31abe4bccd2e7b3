from __future__ import annotations

import os
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.model import settings as model_settings
from holdstill.model.nightly_state import (
    DaemonStatus,
    Incident,
    Message,
    MessageKind,
    NightlyState,
    Phase,
    RunOutcome,
)
from holdstill.schedule import state_file
from holdstill.workflow import board_state, board_status

if TYPE_CHECKING:
    from pathlib import Path

NOW = datetime(2026, 11, 27, 12, 0, tzinfo=UTC)
GOOD = RunOutcome(at="2026-11-27T01:40:00Z", code=0, what="sealed", capture="000042")
FAILED = RunOutcome(at="2026-11-27T08:31:00Z", code=6, what="no answer", hint="look")


class Board:
    """A board's two files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "run").mkdir()
        text = f"board: pier-3\nkeeper: /srv/x\nstate: {folder}\nnightly: {{spread_minutes: 0}}\n"
        self.settings = model_settings.decode_board_settings(text.encode())

    def remembers(self, **facts: object) -> None:
        kept = msgspec.structs.replace(NightlyState(begun="2026-11-01T00:00:00Z"), **facts)
        state_file.NightlyStateFile(self.folder).save(kept)

    def sealed_an_hour_ago(self) -> None:
        path = self.folder / board_state.LAST
        path.write_bytes(b"{}")
        os.utime(path, times=(NOW.timestamp() - 3600,) * 2)

    def look(self, complaint: str = "") -> board_status.BoardStatus:
        return board_status.read_status(
            self.settings, place=self.folder / "run", now=NOW, zone=UTC, complaint=complaint
        )

    def look_while_running(self) -> board_status.BoardStatus:
        with state_file.held(self.folder / "run"):
            live = DaemonStatus(phase=Phase.RUNNING, due="2026-11-28T02:30:00Z", step="sealing")
            state_file.LiveStatusFile(self.folder / "run").show(live)
            return self.look()


@pytest.fixture
def board(tmp_path: Path) -> Board:
    return Board(tmp_path)


def test_a_board_that_captures_well_and_whose_daemon_runs_is_well(board: Board) -> None:
    board.remembers(last=GOOD, good=GOOD)
    board.sealed_an_hour_ago()

    found = board.look_while_running()

    assert found.code == 0
    assert found.findings == ()
    assert (found.is_running, found.due) == (True, "2026-11-28T02:30:00Z")
    assert found.live is not None
    assert found.live.step == "sealing"
    assert found.sealed_at == "2026-11-27T11:00:00Z"


def test_without_a_daemon_nothing_will_happen_by_itself(board: Board) -> None:
    found = board.look()

    assert found.code == 8
    assert found.live is None
    # What would be due is said all the same.
    assert found.due == "2026-11-28T02:30:00Z"


def test_a_failed_run_gives_its_exit_code(board: Board) -> None:
    board.remembers(last=FAILED, good=GOOD, trouble=Incident(since=FAILED.at, reported=(6,)))

    found = board.look_while_running()

    assert found.code == 6
    assert found.findings[0].text == "the last run failed: no answer"


def test_warnings_of_a_sealed_capture_need_attention(board: Board) -> None:
    degraded = msgspec.structs.replace(GOOD, code=8, warnings=("2 files are unreadable",))
    board.remembers(last=degraded, good=degraded)
    board.sealed_an_hour_ago()

    found = board.look_while_running()

    assert (found.code, found.findings[-1].text) == (8, "2 files are unreadable")


def test_silence_counts_from_the_beginning_when_nothing_was_ever_sealed(board: Board) -> None:
    board.remembers()

    found = board.look_while_running()

    assert found.code == 8
    assert found.findings[0].text == "no good capture for 26.5 days"


def test_what_an_earlier_daemon_showed_is_not_taken_for_the_present(board: Board) -> None:
    board.look_while_running()

    found = board.look()

    assert (found.is_running, found.live) == (False, None)


def test_looking_writes_nothing(board: Board) -> None:
    before = sorted(path.name for path in board.folder.rglob("*"))

    board.look()

    assert sorted(path.name for path in board.folder.rglob("*")) == before


def test_m15_messages_that_wait_and_lines_that_are_no_address_need_attention(board: Board) -> None:
    letter = Message(
        kind=MessageKind.FAILURE, title="pier-3: no capture", body="", at="2026-11-25T08:31:00Z",
        to=("f00d",),
    )  # fmt: skip
    board.remembers(last=GOOD, good=GOOD, outbox=(letter,))
    board.sealed_an_hour_ago()

    with state_file.held(board.folder / "run"):
        found = board.look("urls: line 1 is no address").findings

    assert [finding.code for finding in found] == [8, 8]
    assert "1 message has not been delivered yet" in found[0].text
    assert found[1].text == "urls: line 1 is no address"
