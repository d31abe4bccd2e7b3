"""The memory of earlier runs is a cache: whatever happens to it, it is one line and no verdict."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import MachineError
from holdstill.verify import verified_cache
from support import descriptors

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


def test_h22_a_run_that_found_nothing_new_waits_for_no_other(tmp_path: Path) -> None:
    path = tmp_path / "v"
    noted(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")

        with verified_cache.opened(path, since=NOW - DAY, until=NOW) as memory:
            assert memory.recent(ONE) is not None
            memory.keep()

    assert memory.notes == ()


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


def test_what_was_met_in_this_run_has_its_date_until_it_is_bad(tmp_path: Path) -> None:
    noted(tmp_path / "v", at=NOW - 5)
    with verified_cache.opened(tmp_path / "v", since=NOW - DAY, until=NOW) as memory:
        before = memory.met(ONE)
        dates = memory.recent(ONE), memory.met(ONE), memory.recent(TWO), memory.met(TWO)
        memory.note(TWO, NOW)
        two = memory.met(TWO)
        memory.forget(ONE)
        memory.forget(TWO)
        after = memory.met(ONE), memory.met(TWO)

    assert (before, dates) == (None, (NOW - 5, NOW - 5, None, None))
    assert (two, after) == (NOW, (None, None))
    assert not is_recent(tmp_path / "v")
    assert not is_recent(tmp_path / "v", digest=TWO)


def test_what_was_good_and_is_bad_in_the_same_run_is_not_remembered_as_good(
    tmp_path: Path,
) -> None:
    with verified_cache.opened(tmp_path / "v", since=0, until=NOW) as memory:
        memory.note(ONE, NOW)
        memory.keep()
        memory.forget(ONE)
        memory.note(TWO, NOW)

    assert not is_recent(tmp_path / "v")
    assert is_recent(tmp_path / "v", digest=TWO)


def test_the_first_and_the_last_moment_count(tmp_path: Path) -> None:
    noted(tmp_path / "v")
    for since, until, counts in (
        (NOW, NOW + 1, True), (NOW - 1, NOW, True), (NOW + 1, NOW + 2, False),
        (NOW - 2, NOW - 1, False), (NOW, NOW, False), (NOW + 1, NOW - 1, False),
    ):  # fmt: skip
        with verified_cache.opened(tmp_path / "v", since=since, until=until) as memory:
            assert (memory.recent(ONE) == NOW) is counts


@pytest.mark.parametrize(("count", "is_kept"), [(9_999, False), (10_000, True)])
def test_ten_thousand_are_made_to_last_at_once(
    tmp_path: Path, count: int, *, is_kept: bool
) -> None:
    with verified_cache.opened(tmp_path / "v", since=0, until=NOW) as memory:
        for number in range(count):
            memory.note(number.to_bytes(32), NOW)

        assert is_recent(tmp_path / "v", digest=bytes(32)) is is_kept
    assert is_recent(tmp_path / "v", digest=bytes(32))


def test_a_file_that_loses_its_table_under_a_run_is_gone_without_at_the_next_question(
    tmp_path: Path,
) -> None:
    path = tmp_path / "v"
    noted(path)
    before = descriptors.count()

    with verified_cache.opened(path, since=NOW - DAY, until=NOW) as memory:
        without_its_table(path)
        assert memory.recent(ONE) is None
        memory.note(ONE, NOW)
        assert memory.met(ONE) == NOW

    (line,) = memory.notes
    assert "begun again" in line
    assert not path.exists()
    assert descriptors.count() == before


def test_the_file_is_thrown_away_with_what_sqlite_keeps_beside_it(tmp_path: Path) -> None:
    """sqlite.org/tempfiles.html: rollback journal, write-ahead log and its shared memory."""
    path = tmp_path / "v"
    noted(path)
    of_the_future(path)
    for suffix in ("-journal", "-wal", "-shm", "-mine"):
        path.with_name(f"v{suffix}").write_bytes(b"old")
    path.with_name("v-journal").write_bytes(b"")

    noted(path)

    assert sorted(left.name for left in tmp_path.iterdir()) == ["v", "v-mine"]
    assert is_recent(path)


def test_what_cannot_be_thrown_away_is_told(tmp_path: Path) -> None:
    path = tmp_path / "v"
    noted(path)
    rubbish(path)
    path.with_name("v-shm").mkdir()

    (line,) = noted(path)

    assert "cannot be used" in line
    assert "v-shm" in line
    assert path.read_bytes().startswith(b"rubbish")


def of_another_program(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("PRAGMA application_id = 7")


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (of_another_program, "application 0x7, version 1"),
        (of_the_future, "application 0x48535643, version 99"),
    ],
)
def test_a_database_of_another_kind_is_named(
    tmp_path: Path, spoil: Callable[[Path], None], why: str
) -> None:
    noted(tmp_path / "v")
    spoil(tmp_path / "v")

    (line,) = noted(tmp_path / "v")

    assert why in line


@pytest.mark.parametrize(
    ("spoil", "kind"),
    [(a_directory, "a directory"), (a_symlink, "a symbolic link"), (a_fifo, "something else")],
)
def test_what_is_in_the_place_of_the_file_is_called_what_it_is(
    tmp_path: Path, spoil: Callable[[Path], None], kind: str
) -> None:
    noted(tmp_path / "v")
    spoil(tmp_path / "v")

    (line,) = noted(tmp_path / "v")

    assert f"it is {kind}, and no file" in line


# sqlite.org/rescode.html: the low byte of an extended code is the primary one. 13 FULL, 10 IOERR,
# 778 IOERR_WRITE, 8 READONLY, 776 READONLY_ROLLBACK, 5 BUSY, 14 CANTOPEN.
@pytest.mark.parametrize(
    ("code", "remedy"),
    [(13, "disk"), (10, "disk"), (778, "disk"), (8, "disk"), (776, "disk"), (5, "right"),
     (14, "right"), (None, "right")],
)  # fmt: skip
def test_what_to_do_depends_on_what_sqlite_says(code: int | None, remedy: str) -> None:
    error = sqlite3.OperationalError("no")
    if code is not None:
        error.sqlite_errorcode = code

    said = verified_cache._remedy(error)

    assert ("see whether its disk is full" in said) is (remedy == "disk")
    assert ("move it away, or give its owner the right" in said) is (remedy == "right")


# The same: 11 CORRUPT, 26 NOTADB, 24 FORMAT, 1 ERROR; 779 is CORRUPT_INDEX.
@pytest.mark.parametrize(
    ("code", "is_unsound"),
    [(11, True), (26, True), (24, True), (1, True), (779, True), (5, False), (13, False),
     (10, False), (None, False)],
)  # fmt: skip
def test_only_what_is_wrong_with_the_file_itself_costs_it(
    code: int | None, *, is_unsound: bool
) -> None:
    error = sqlite3.OperationalError("no")
    if code is not None:
        error.sqlite_errorcode = code

    assert verified_cache._is_unsound(error) is is_unsound


def test_a_database_of_the_runs_own_that_fails_is_this_machines_trouble(tmp_path: Path) -> None:
    before = descriptors.count()

    with (
        pytest.raises(MachineError, match="a database of this run's own failed: full") as caught,
        verified_cache.opened(tmp_path / "v", since=0, until=NOW),
    ):
        raise sqlite3.OperationalError("full")

    assert "df /var/tmp /tmp" in caught.value.hint
    assert descriptors.count() == before
