"""Whatever this machine refuses is told with its path, its cause and a next step."""

from __future__ import annotations

import errno
import os
import sqlite3
from typing import TYPE_CHECKING

import pytest

from holdstill.cli import main
from holdstill.errors import HoldstillError, UsageError
from holdstill.workflow import explain

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

EVERY_NUMBER = sorted(errno.errorcode)


@pytest.mark.parametrize("number", EVERY_NUMBER, ids=[errno.errorcode[n] for n in EVERY_NUMBER])
def test_m4_every_error_of_the_system_has_path_cause_and_next_step(number: int) -> None:
    told = explain.explained(OSError(number, os.strerror(number), "/srv/holdstill/x"))

    assert told is not None
    assert str(told) == f"/srv/holdstill/x: {os.strerror(number)}"
    assert told.hint
    assert told.exit_code in {3, 4, 7}


def test_m4_two_paths_are_both_told() -> None:
    told = explain.explained(OSError(errno.EXDEV, "Invalid cross-device link", "/a", None, b"/b"))

    assert str(told) == "/a and /b: Invalid cross-device link"


@pytest.mark.parametrize("has_memory", [True, False])
def test_on_a_full_disk_what_is_no_loss_in_a_store_is_named_if_it_is_there(
    tmp_path: Path, *, has_memory: bool
) -> None:
    (tmp_path / "store.yaml").touch()
    memory = tmp_path / "verified.sqlite"
    if has_memory:
        memory.touch()
    draft = tmp_path / "boards/pier-3/sealing/.thinning.draft"

    told = explain.explained(OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(draft)))

    assert told is not None
    assert told.hint.startswith("make room there (`df` shows")
    assert (f"`rm {memory}` is no loss" in told.hint) == has_memory


@pytest.mark.parametrize("number", [errno.EACCES, errno.ENOSPC])
def test_what_a_file_descriptor_was_refused_is_told(number: int) -> None:
    """`os.truncate(3, 0)` names a number where others name a path."""
    told = explain.explained(OSError(number, os.strerror(number), 3))

    assert str(told) == f"file descriptor 3: {os.strerror(number)}"


def test_m9_a_database_that_is_locked_is_busy(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "db") as first:
        first.execute("CREATE TABLE t (x)")
        first.execute("BEGIN EXCLUSIVE")
        second = sqlite3.connect(tmp_path / "db", timeout=0)
        with pytest.raises(sqlite3.OperationalError) as caught:
            second.execute("SELECT * FROM t")
        second.close()
    first.close()

    told = explain.explained(caught.value)

    assert told is not None
    assert told.exit_code == 3
    assert "wait" in told.hint


def test_m9_a_file_that_is_no_database_is_damage(tmp_path: Path) -> None:
    (tmp_path / "db").write_bytes(b"no database" * 500)
    base = sqlite3.connect(tmp_path / "db")
    with pytest.raises(sqlite3.DatabaseError) as caught:
        base.execute("SELECT * FROM t")
    base.close()

    told = explain.explained(caught.value)

    assert told is not None
    assert told.exit_code == 7


def test_m9_a_database_that_cannot_be_opened_is_this_machines(tmp_path: Path) -> None:
    with pytest.raises(sqlite3.OperationalError) as caught:
        sqlite3.connect(f"file:{tmp_path}/none?mode=ro", uri=True)

    told = explain.explained(caught.value)

    assert told is not None
    assert told.exit_code == 4


def test_our_own_statements_are_our_own_fault() -> None:
    base = sqlite3.connect(":memory:")
    with pytest.raises(sqlite3.OperationalError) as caught:
        base.execute("SELEKT")
    base.close()

    assert explain.explained(caught.value) is None


def nested(depth: int = 0) -> int:
    return nested(depth + 1)


LIMITS: dict[str, tuple[Callable[[], object], str]] = {
    "recursion": (nested, "nested more deeply"),
    "memory": (lambda: bytearray(1 << 62), "not enough memory"),
    "bytes": (b"\xff".decode, "should be text"),
    "text": ("\ud800".encode, "should be text"),
}


@pytest.mark.parametrize("name", LIMITS)
def test_h5_the_limits_of_the_interpreter_are_told_in_words(name: str) -> None:
    deed, words = LIMITS[name]
    with pytest.raises((RecursionError, MemoryError, UnicodeError)) as caught:
        deed()

    told = explain.explained(caught.value)

    assert told is not None
    assert words in str(told)
    assert told.hint


def test_what_nothing_explains_is_our_fault() -> None:
    assert explain.explained(ValueError("x")) is None


def test_our_own_errors_stay_as_they_are() -> None:
    error: HoldstillError = UsageError("x")

    assert explain.explained(error) is error


# A directory, a link that leads nowhere, a link to itself, where the settings belong.
@pytest.mark.parametrize("kind", ["directory", "dangling", "loop"])
def test_m14_something_else_in_the_place_of_a_store_is_told(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = tmp_path / "store"
    store.mkdir()
    marker = store / "store.yaml"
    if kind == "directory":
        marker.mkdir()
    else:
        marker.symlink_to("store.yaml" if kind == "loop" else "nowhere")

    code = main.run(["list", "--store", str(store)])

    said = capsys.readouterr().err
    assert code in {2, 4}
    assert str(store) in said
    assert "what to do: " in said
    assert "Traceback" not in said


def test_keeper_accept_of_a_board_that_is_not_there_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = str(tmp_path / "store")
    main.run(["keeper", "init", store])

    code = main.run(["keeper", "accept", store, "pier-9", "--reason", "x"])

    assert code == 2
    assert "knows no board pier-9" in capsys.readouterr().err


def test_a_store_that_a_unit_may_not_write_to_is_told_with_what_lets_it() -> None:
    told = explain.explained(OSError(errno.EROFS, "Read-only file system", "/mnt/store/lock"))

    assert told is not None
    assert "`ReadWritePaths=`" in told.hint
    assert "`sudo holdstill keeper setup`" in told.hint
