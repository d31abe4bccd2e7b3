from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.board import undo_log
from holdstill.errors import BusyError

if TYPE_CHECKING:
    from pathlib import Path


def test_pending_undos_come_latest_first(tmp_path: Path) -> None:
    with undo_log.opened(tmp_path) as mine:
        for facts in (b"1", b"2", b"3"):
            mine.record("resume", facts)

        assert [record.facts for record in mine.pending("resume")] == [b"3", b"2", b"1"]


def test_kinds_are_kept_apart(tmp_path: Path) -> None:
    with undo_log.opened(tmp_path) as mine:
        mine.record("resume", b"1")
        mine.record("read-write", b"2")

        assert [record.facts for record in mine.pending("read-write")] == [b"2"]


def test_a_cleared_undo_is_gone_and_may_be_cleared_again(tmp_path: Path) -> None:
    with undo_log.opened(tmp_path) as mine:
        record = mine.record("resume", b"1")

        mine.clear(record)
        mine.clear(record)

        assert mine.pending("resume") == ()


def test_the_next_run_finds_what_is_owed_and_goes_on_counting(tmp_path: Path) -> None:
    with undo_log.opened(tmp_path) as first:
        first.record("resume", b"first")

    with undo_log.opened(tmp_path) as second:
        second.record("resume", b"second")

        assert [record.facts for record in second.pending("resume")] == [b"second", b"first"]


def test_half_a_record_is_no_pending_undo(tmp_path: Path) -> None:
    (tmp_path / "000001-resume.draft").write_bytes(b"hal")

    with undo_log.opened(tmp_path) as mine:
        assert mine.pending("resume") == ()


def test_one_run_at_a_time(tmp_path: Path) -> None:
    with (
        undo_log.opened(tmp_path),
        pytest.raises(BusyError, match="another run"),
        undo_log.opened(tmp_path),
    ):
        pytest.fail("two runs at once")


def test_a_blocking_error_inside_is_not_mistaken_for_another_run(tmp_path: Path) -> None:
    with pytest.raises(BlockingIOError), undo_log.opened(tmp_path):
        raise BlockingIOError


def test_the_lock_is_free_after_a_failure(tmp_path: Path) -> None:
    with pytest.raises(EOFError), undo_log.opened(tmp_path):
        raise EOFError

    with undo_log.opened(tmp_path) as mine:
        assert mine.pending("resume") == ()
