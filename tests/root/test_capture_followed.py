"""Captures of a large file that is written to all the time: the pause takes what changed in it.

The witness is a whole read of the frozen file, in the same freeze; and SQLite's own check.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import holdstill as holdstill_package
from holdstill.board import spool
from support import boards, database_writer, faulted, loop, programs, witnessed
from support.boards import Board, Kept, holdstill
from support.trace_instances import left_over
from support.witnessed import digest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.witnessed import Report

pytestmark = pytest.mark.timeout(300)
MIB = 1 << 20
SIZE = 48 * MIB
MEMORY = 24 * MIB
NAME = "readings.db"
NO_PAUSE = 5


@dataclass(frozen=True)
class Busy:
    """A board whose database is written to, and its keeper."""

    board: Board
    kept: Kept
    folder: Path

    @property
    def database(self) -> Path:
        return self.board.root / "srv" / NAME

    def captured(
        self, loss: str = "none", *, code: int = 0, product: Path | None = None
    ) -> tuple[Report, str]:
        """Take a capture; return its report and the SHA-256 of the frozen database."""
        return witnessed.captured(
            self.kept.settings, self.database, loss=loss, code=code, product=product
        )

    def again(self, name: str) -> Path:
        """Get the newest capture's files; return where the database is."""
        to = self.folder / name
        holdstill("get", "pier-3", "/srv", "--to", to, "--store", self.kept.store)
        return to / NAME


@contextmanager
def busy(
    folder: Path,
    *,
    kind: str = "ext4",
    journal: str = "delete",
    memory: int = MEMORY,
    nocow: bool = False,
) -> Iterator[Busy]:
    share = memory / spool.parse_available(spool.MEMINFO.read_bytes())
    more = f"pause: {{spool_share: {share:.6f}, ceiling: 10.0}}\n"
    with boards.running(folder, size=640 * MIB, kind=kind) as board:
        path = board.root / "srv" / NAME
        path.parent.mkdir()
        if nocow:
            programs.run("chattr", "+C", path.parent)
        database_writer.fill(path, SIZE, journal)
        with (
            boards.kept(folder, board, more=more) as kept,
            database_writer.writing(path, journal),
        ):
            yield Busy(board, kept, folder)


def check(database: Path) -> str:
    with closing(sqlite3.connect(database)) as found:
        (said,) = found.execute("PRAGMA integrity_check").fetchone()
    return str(said)


def how(report: Report) -> tuple[str, str]:
    return report["parts"][1]["large_files"], report["parts"][1]["large_files_why"]


@pytest.mark.parametrize(
    ("kind", "journal"), [("ext4", "delete"), ("ext4", "wal"), ("xfs", "delete")]
)
def test_a_database_larger_than_the_memory_of_the_pause_is_captured_as_it_was_frozen(
    tmp_path: Path, kind: str, journal: str
) -> None:
    frozen = ""
    with busy(tmp_path, kind=kind, journal=journal) as one:
        for night in ("first", "second"):
            report, frozen = one.captured()

            assert report["spool_bytes"] < MEMORY / 4
            assert how(report) == ("traced", "")
            assert digest(one.again(night)) == frozen
        holdstill("verify", "--store", one.kept.store)
        image = tmp_path / "again.img"
        holdstill("rebuild", "pier-3", image, "--store", one.kept.store,
                  accepted=[boards.NO_KERNEL])  # fmt: skip
    assert check(tmp_path / "second" / NAME) == "ok"
    options = {"ext4": "ro,noload", "xfs": "ro,norecovery,nouuid"}[kind]
    with (
        loop.attached(image) as disk,
        loop.mounted(disk.partition(2), tmp_path / "rebuilt", options=options) as at,
    ):
        assert digest(at / "srv" / NAME) == frozen


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
def test_a_database_that_only_its_hook_writes_to_is_followed_as_the_index_lists_it(
    tmp_path: Path, kind: str
) -> None:
    """With a write-ahead log all day's rows are in the log, until the hook has them moved."""
    with quiet(tmp_path, kind) as (one, database):
        for night in ("second", "third"):
            database.execute("UPDATE reading SET level = ? WHERE id = 70", (os.urandom(900),))

            report, frozen = one.captured()

            assert report["spool_bytes"] < MEMORY / 4
            assert how(report) == ("extents" if kind == "btrfs" else "traced", "")
            assert digest(one.again(night)) == frozen
            assert frozen == digest(one.database)
        # A file that changed before the first look is not as it is listed.
        database.execute("UPDATE reading SET level = ? WHERE id < 90", (os.urandom(900),))
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        os.utime(one.database, (1.7e9, 1.7e9))
        report, frozen = one.captured()
        assert report["spool_bytes"] < MEMORY / 4
        assert digest(one.again("fourth")) == frozen
    assert check(tmp_path / "fourth" / NAME) == "ok"


@contextmanager
def quiet(folder: Path, kind: str) -> Iterator[tuple[Busy, sqlite3.Connection]]:
    """Hold a board whose database is larger than the memory of the pause, with one capture.

    Nothing writes to the file itself but the hook, and whoever has the connection.
    """
    share = MEMORY / spool.parse_available(spool.MEMINFO.read_bytes())
    with boards.running(folder, size=640 * MIB, kind=kind) as board:
        path = board.root / "srv" / NAME
        path.parent.mkdir()
        database_writer.fill(path, SIZE, "wal")
        more = (
            f"pause: {{spool_share: {share:.6f}, ceiling: 10.0}}\n"
            "hooks: [{name: readings, how: recipe, subject: sqlite, "
            f"settings: {{database: {path}, checkpoint: truncate}}}}]\n"
        )
        with (
            boards.kept(folder, board, more=more) as kept,
            closing(sqlite3.connect(path, isolation_level=None)) as database,
        ):
            one = Busy(board, kept, folder)
            one.captured()
            yield one, database


def test_on_btrfs_the_extents_tell_what_changed(tmp_path: Path) -> None:
    with busy(tmp_path, kind="btrfs") as one:
        for night in ("first", "second"):
            report, frozen = one.captured()

            assert how(report) == ("extents", "")
            assert report["spool_bytes"] < MEMORY / 4
            assert digest(one.again(night)) == frozen
    assert check(tmp_path / "second" / NAME) == "ok"


def test_what_btrfs_writes_in_place_is_copied_whole(tmp_path: Path) -> None:
    with busy(tmp_path, kind="btrfs", memory=2 * SIZE, nocow=True) as one:
        report, frozen = one.captured()

        assert report["spool_bytes"] > SIZE
        assert digest(one.again("again")) == frozen


def blind(folder: Path) -> Path:
    """Copy the product, and take the line from it that notes what the trace tells."""
    noting = "self._written[disk].add(sector, count)"
    shutil.copytree(Path(holdstill_package.__file__).parent, folder / "holdstill")
    module = folder / "holdstill/board/block_trace.py"
    text = module.read_text("utf-8")
    assert text.count(noting) == 1
    module.write_text(text.replace(noting, "pass"), "utf-8")
    return folder


def test_with_the_trace_ignored_the_capture_would_be_wrong(tmp_path: Path) -> None:
    """The control: what all others here compare with would find it."""
    with busy(tmp_path) as one:
        report, frozen = one.captured(product=blind(tmp_path / "blind"))

        assert how(report) == ("traced", "")
        assert digest(one.again("again")) != frozen


def test_what_the_trace_loses_in_a_hot_round_is_read_again(tmp_path: Path) -> None:
    with busy(tmp_path) as one:
        report, frozen = one.captured("rounds")

        assert how(report)[0] == "traced"
        assert "the disk wrote more than was traced" in how(report)[1]
        assert report["spool_bytes"] < MEMORY / 4
        assert digest(one.again("again")) == frozen


def test_what_the_trace_loses_in_the_pause_makes_it_copy_the_file_whole(tmp_path: Path) -> None:
    with busy(tmp_path, memory=2 * SIZE) as one:
        report, frozen = one.captured("pause")

        assert how(report) == ("whole", "somebody switched the trace off")
        shown = holdstill("show", "pier-3", "--store", one.kept.store).decode()
        assert "large files of partition 2: whole (somebody switched the trace off)" in shown
        assert report["spool_bytes"] > SIZE
        assert digest(one.again("again")) == frozen


def test_what_the_trace_loses_in_the_pause_ends_it_where_the_file_does_not_fit(
    tmp_path: Path,
) -> None:
    with busy(tmp_path) as one:
        one.captured("pause", code=NO_PAUSE)

        assert not loop.thaw(one.board.root)
        one.captured()


def test_killed_in_the_pause_it_is_thawed_and_the_next_run_removes_the_trace(
    tmp_path: Path,
) -> None:
    with busy(tmp_path) as one:
        words = [sys.executable, faulted.__file__, "frozen", "kill", "0", "0", "capture"]
        done = subprocess.run(
            [*words, "--settings", one.kept.settings],
            capture_output=True,
            timeout=120,
            check=False,
        )
        assert done.returncode == -9, done.stderr.decode()
        programs.run("timeout", "2", "touch", one.board.root / "it-is-thawed")
        left = left_over()
        assert left

        _, frozen = one.captured()

        assert not left & left_over()
        assert digest(one.again("again")) == frozen
