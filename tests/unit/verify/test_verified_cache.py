"""The memory of earlier runs is a cache: whatever happens to it, it is one line and no verdict."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from holdstill.verify import verified_cache

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

NOW, DAY = 1_764_000_000.0, 86_400.0
ONE, TWO = b"1" * 32, b"2" * 32


def noted(path: Path, *, at: float = NOW) -> tuple[str, ...]:
    """Note that ONE is good; return what is told of the file."""
    with verified_cache.opened(path, since=NOW, until=NOW) as memory:
        assert memory.met(ONE) is None
        memory.note(ONE, at)
        assert memory.met(ONE) is not None
    return memory.notes


def is_recent(path: Path, *, digest: bytes = ONE, now: float = NOW, days: float = 30) -> bool:
    with verified_cache.opened(path, since=now - days * DAY, until=now) as memory:
        return memory.recent(digest) is not None


def test_what_was_good_lately_is_remembered_for_as_long_as_is_asked(tmp_path: Path) -> None:
    assert noted(tmp_path / "v") == ()

    assert is_recent(tmp_path / "v", now=NOW + 29 * DAY)
    assert not is_recent(tmp_path / "v", now=NOW + 31 * DAY)
    assert not is_recent(tmp_path / "v", days=0)
    assert not is_recent(tmp_path / "v", digest=TWO)


def test_h14_a_date_of_the_future_counts_for_nothing(tmp_path: Path) -> None:
    noted(tmp_path / "v", at=NOW + 3650 * DAY)

    assert not is_recent(tmp_path / "v")


@pytest.mark.parametrize("value", ["'soon'", "x'ff'", "9e999", "-9e999"])
def test_h14_a_date_that_is_none_counts_for_nothing(tmp_path: Path, value: str) -> None:
    noted(tmp_path / "v")
    with closing(sqlite3.connect(tmp_path / "v")) as db, db:
        db.execute(f"UPDATE good SET at = {value}")  # noqa: S608  of this test

    assert not is_recent(tmp_path / "v")


def test_what_is_bad_is_forgotten(tmp_path: Path) -> None:
    noted(tmp_path / "v")
    with verified_cache.opened(tmp_path / "v", since=0, until=NOW) as memory:
        memory.forget(ONE)

    assert not is_recent(tmp_path / "v")


def rubbish(path: Path) -> None:
    path.write_bytes(b"rubbish" * 1000)


def cut_short(path: Path) -> None:
    os.truncate(path, 4096)


def of_the_future(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("PRAGMA user_version = 99")


def of_somebody_else(path: Path) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("CREATE TABLE letters (text TEXT)")


def without_its_table(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("DROP TABLE good")


USELESS = [rubbish, cut_short, of_the_future, of_somebody_else, without_its_table]


@pytest.mark.parametrize("spoil", USELESS)
def test_m13_what_is_of_no_use_is_thrown_away_and_told_in_a_line(
    tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    path = tmp_path / "v"
    noted(path)
    spoil(path)

    with verified_cache.opened(path, since=NOW - DAY, until=NOW) as memory:
        assert memory.recent(ONE) is None
        memory.note(ONE, NOW)

    (line,) = memory.notes
    assert str(path) in line
    assert "begun again" in line
    assert "\n" not in line
    noted(path)
    assert is_recent(path)


def a_directory(path: Path) -> None:
    path.unlink()
    path.mkdir()


def a_symlink(path: Path) -> None:
    path.rename(path.with_name("elsewhere"))
    path.symlink_to("elsewhere")


def a_fifo(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


@pytest.mark.parametrize("spoil", [a_directory, a_symlink, a_fifo])
def test_m13_what_is_no_file_is_gone_without_and_left_alone(
    tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    path = tmp_path / "v"
    noted(path)
    spoil(path)
    before = path.lstat()

    (line,) = noted(path)

    assert "cannot be used" in line
    assert ", and no file" in line  # said by us, before SQLite is let near it
    assert path.lstat() == before


def test_h22_a_file_that_another_run_holds_can_be_read_and_costs_no_verdict(
    tmp_path: Path,
) -> None:
    path = tmp_path / "v"
    noted(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")

        with verified_cache.opened(path, since=NOW - DAY, until=NOW) as memory:
            assert memory.recent(ONE) is not None
            memory.note(TWO, NOW)

    (line,) = memory.notes
    assert "cannot be written to" in line
    assert "locked" in line


def test_m13_what_is_spoiled_while_a_run_goes_on_is_told_when_it_is_written(
    tmp_path: Path,
) -> None:
    path = tmp_path / "v"
    noted(path)

    with verified_cache.opened(path, since=NOW - DAY, until=NOW) as memory:
        rubbish(path)
        memory.note(TWO, NOW)

    (line,) = memory.notes
    assert str(path) in line
    assert "cannot be written to" not in line  # since it cannot be read either


def test_h22_two_runs_at_once_both_remember(tmp_path: Path) -> None:
    path = tmp_path / "v"
    with (
        verified_cache.opened(path, since=0, until=NOW) as one,
        verified_cache.opened(path, since=0, until=NOW) as other,
    ):
        one.note(ONE, NOW)
        one.keep()
        other.note(TWO, NOW)
        other.note(ONE, NOW)

    assert one.notes + other.notes == ()
    assert is_recent(path)
    assert is_recent(path, digest=TWO)


def test_m9_a_folder_that_takes_no_file_is_one_line(tmp_path: Path) -> None:
    (line,) = noted(tmp_path / "not there" / "v")

    assert "cannot be used" in line
