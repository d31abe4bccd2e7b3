from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import BusyError
from holdstill.model.nightly_state import (
    DaemonStatus,
    Incident,
    Message,
    MessageKind,
    NightlyState,
    Phase,
    RunOutcome,
    Week,
)
from holdstill.schedule import state_file
from holdstill.schedule.state_file import LiveStatusFile, NightlyStateFile

LONG = "x" * 500
FULLEST = NightlyState(
    begun="2026-11-25T02:41:03Z", served="2026-11-25", summarised="2026-11-25",
    good=RunOutcome(at="2026-11-25T02:41:03Z", code=8, what=LONG, warnings=(LONG,) * 20),
    last=RunOutcome(at="2026-11-25T02:41:03Z", code=8, what=LONG, warnings=(LONG,) * 20),
    trouble=Incident(since="2026-11-25T02:41:03Z", reported=(6, 8, -1)),
    week=Week(since="2026-11-25T02:41:03Z", sealed=7),
    outbox=(Message(kind=MessageKind.FAILURE, title=LONG, body=LONG, at="", to=("a" * 12,)),) * 20,
)  # fmt: skip


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    file = NightlyStateFile(tmp_path / "state")
    file.save(FULLEST)

    assert NightlyStateFile(tmp_path / "state").load() == FULLEST
    path = tmp_path / "state" / state_file.NIGHTS
    assert path.stat().st_mode & 0o777 == 0o600
    assert path.stat().st_size < 64 << 10  # at its very worst; about 1 KiB on a good day


def test_a_new_board_and_a_damaged_card_begin_anew(tmp_path: Path) -> None:
    assert NightlyStateFile(tmp_path).load() == NightlyState()

    (tmp_path / state_file.NIGHTS).write_bytes(b'{"served": 7')

    assert NightlyStateFile(tmp_path).load() == NightlyState()


@given(st.binary(max_size=80))
def test_no_bytes_at_all_keep_the_daemon_from_starting(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / state_file.NIGHTS).write_bytes(content)
        (Path(folder) / state_file.LIVE).write_bytes(content)

        assert isinstance(NightlyStateFile(Path(folder)).load(), NightlyState)
        assert isinstance(LiveStatusFile(Path(folder)).read(), DaemonStatus | None)


def test_what_is_shown_is_seen_by_others(tmp_path: Path) -> None:
    live = DaemonStatus(phase=Phase.RUNNING, step="sealing", day="2026-11-25")

    LiveStatusFile(tmp_path).show(live)

    assert LiveStatusFile(tmp_path).read() == live


def test_there_is_one_daemon_at_a_time(tmp_path: Path) -> None:
    with state_file.held(tmp_path):
        assert state_file.is_held(tmp_path)
        with pytest.raises(BusyError), state_file.held(tmp_path):
            pytest.fail("two of them")
    assert not state_file.is_held(tmp_path)
    with state_file.held(tmp_path):
        pass
