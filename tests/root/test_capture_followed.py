"""Captures of a large file that is written to all the time: the pause takes what changed in it."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing, contextmanager
from typing import TYPE_CHECKING, TypedDict

import pytest

from holdstill.board import spool
from support import boards, database_writer
from support.boards import Board, Kept, holdstill

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MIB = 1 << 20
SIZE = 256 * MIB
MEMORY = 64 * MIB


def settings() -> str:
    share = MEMORY / spool.parse_available(spool.MEMINFO.read_bytes())
    return f"pause: {{spool_share: {share:.6f}, ceiling: 10.0}}\n"


@contextmanager
def busy_board(folder: Path, journal: str) -> Iterator[tuple[Board, Kept]]:
    with boards.running(folder, size=640 * MIB) as board:
        path = board.root / "srv" / "readings.db"
        path.parent.mkdir()
        database_writer.fill(path, SIZE, journal)
        with (
            boards.kept(folder, board, more=settings()) as kept,
            database_writer.writing(path, journal),
        ):
            yield board, kept


class PartReport(TypedDict):
    large_files: str
    large_files_why: str


class Report(TypedDict):
    spool_bytes: int
    hashed_bytes: int
    parts: list[PartReport]


def captured(kept: Kept) -> Report:
    report: Report = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
    return report


def check(database: Path) -> str:
    with closing(sqlite3.connect(database)) as found:
        (said,) = found.execute("PRAGMA integrity_check").fetchone()
    return str(said)


@pytest.mark.timeout(300)
@pytest.mark.parametrize("journal", ["delete", "wal"])
def test_a_database_larger_than_the_memory_of_the_pause_is_captured(
    tmp_path: Path, journal: str
) -> None:
    with busy_board(tmp_path, journal) as (_, kept):
        reports = [captured(kept) for _ in range(2)]

        for report in reports:
            assert report["spool_bytes"] < MEMORY / 4
            assert [part["large_files"] for part in report["parts"]] == ["", "traced"]
        holdstill("verify", "--store", kept.store)
        holdstill("get", "pier-3", "/srv", "--to", tmp_path / "again", "--store", kept.store)

    assert check(tmp_path / "again" / "readings.db") == "ok"
