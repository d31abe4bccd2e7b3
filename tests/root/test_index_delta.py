"""What becomes of the index when names and files change, one case after another."""

from __future__ import annotations

import hashlib
import os
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import change_detection, ctime_window, index_delta, inode_table_detector, scan
from holdstill.board.full_scan import ScanTarget
from holdstill.board.index_delta import Delta, DeltaTooLargeError
from holdstill.board.inode_tables import InodeTables
from holdstill.board.path_filter import PathFilter
from holdstill.board.scan import Scanner
from holdstill.errors import PauseError
from holdstill.model.entries import Entry, Omitted
from holdstill.records import index_file
from holdstill.system import byte_source
from holdstill.system import clocks as clock
from support import loop

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from holdstill.board.change_detection import Detector

PART = 2


@dataclass
class Followed:
    top: Path
    subject: ScanTarget
    detector: Detector

    def round(self) -> None:
        """Follow, and take every content as read."""
        doubtful = index_delta.follow(self.subject, self.detector.changes(), seq=1)
        self.detector.confirm()
        self.detector.doubt(doubtful)
        for entry in self.pending():
            self.subject.index.set_digest(PART, entry, digest(self.top, entry), seq=1)

    def pending(self) -> list[Entry]:
        return self.subject.index.pending(PART, after=(b"", b""), limit=1000)

    def resolve(self) -> Delta:
        return index_delta.resolve(self.subject, self.detector.changes())

    def get(self, path: str) -> Entry | None:
        return self.subject.index.get(PART, os.fsencode(path))

    def known(self, path: str) -> Entry:
        entry = self.get(path)
        assert entry is not None
        return entry


def digest(top: Path, entry: Entry) -> bytes:
    return hashlib.sha256((top / os.fsdecode(entry.path)).read_bytes()).digest()


@contextmanager
def followed(folder: Path) -> Iterator[Followed]:
    with (
        loop.ext4_volume(folder) as top,
        byte_source.opened(Path(*loop.loops_of(folder / "volume.img"))) as source,
        scan.opened_root(os.fsencode(top)) as root,
        index_file.created(folder / "index") as index,
    ):
        for name in ("a/b/c", "d"):
            (top / name).mkdir(parents=True)
        for name in ("a/f", "a/b/g", "a/b/c/h", "d/i"):
            (top / name).write_bytes(name.encode())
        clocks = ctime_window.InodeClock(clock.SystemClock(), clock.coarse_now_ns)
        tables = InodeTables(source)
        scanner = Scanner(root, PathFilter(exclude=()), inodes=tables)
        board = Followed(
            top,
            ScanTarget(index, PART, scanner),
            inode_table_detector.InodeTableDetector(root, tables, clocks),
        )
        # Twice: what the first look calls recent is looked at once more.
        board.round()
        os.utime(top / "lost+found")
        clock.SystemClock().sleep(0.1)
        board.round()
        board.round()
        yield board


def test_a_moved_tree_is_not_read_again(tmp_path: Path) -> None:
    with followed(tmp_path) as board:
        before = board.known("a/b/c/h").digest

        (board.top / "a").rename(board.top / "d/z")
        delta = board.resolve()
        index_delta.apply(board.subject, delta, seq=2)

        assert delta.removed == {b"a"}
        assert list(delta.pending()) == []
        assert board.get("a") is None
        assert board.get("a/b/c/h") is None
        assert board.known("d/z/b/c/h").digest == before


def test_a_moved_file_keeps_its_content_only_if_it_did_not_change(tmp_path: Path) -> None:
    with followed(tmp_path) as board:
        (board.top / "a/f").rename(board.top / "d/f")
        delta = board.resolve()

        # Moving a file changes its ctime, and only the ctime tells whether its content is as it
        # was: it is read again.
        assert [entry.path for entry in delta.pending()] == [b"d/f"]


def test_changed_attributes_alone_make_a_content_pending_too(tmp_path: Path) -> None:
    with followed(tmp_path) as board:
        (board.top / "a/f").chmod(0o600)

        delta = board.resolve()

        assert [entry.path for entry in delta.pending()] == [b"a/f"]


def test_a_second_name_changes_all_names(tmp_path: Path) -> None:
    with followed(tmp_path) as board:
        os.link(board.top / "a/f", board.top / "d/f")

        board.round()
        first, second = board.known("a/f"), board.known("d/f")
        (board.top / "a/f").unlink()
        board.round()

        assert first.link == second.link == first.seen.inode
        assert first.digest == second.digest != b""
        assert board.get("a/f") is None
        assert board.known("d/f").link == 0


def test_linked_files_are_copied_once(tmp_path: Path) -> None:
    with followed(tmp_path) as board:
        os.link(board.top / "a/f", board.top / "d/f")

        delta = board.resolve()

        assert {b"a/f", b"d/f"} <= delta.entries.keys()
        assert len(list(delta.pending())) == 1


def test_a_file_that_becomes_a_directory_leaves_nothing_behind(tmp_path: Path) -> None:
    with followed(tmp_path) as board:
        (board.top / "a/f").unlink()
        (board.top / "a/f").mkdir()
        (board.top / "a/f/new").write_bytes(b"x")
        (board.top / "a/b/g").unlink()
        (board.top / "a/b/c/h").unlink()
        (board.top / "a/b/c").rmdir()
        (board.top / "a/b").rmdir()
        (board.top / "a/b").write_bytes(b"a file now")

        board.round()

        assert board.known("a/f/new").size == 1
        assert board.known("a/b").size == 10
        assert board.get("a/b/c") is None
        assert board.get("a/b/c/h") is None


def test_rows_that_say_the_same_are_not_written_again(tmp_path: Path) -> None:
    with followed(tmp_path) as board:
        (board.top / "a/b/new").write_bytes(b"x")
        (board.top / "a/b/new").unlink()
        os.utime(board.top / "a/b", ns=(0, board.known("a/b").mtime_ns))
        changes = board.subject.index._db.total_changes

        board.round()

        # One row: the directory, whose ctime is another one.
        assert board.subject.index._db.total_changes - changes == 1


def test_a_pending_content_is_part_of_what_is_taken_in_the_pause(tmp_path: Path) -> None:
    with followed(tmp_path) as board:
        entry = board.known("a/f")
        board.subject.index.set_digest(PART, entry, b"", seq=1)
        delta = board.resolve()
        copied = {}

        index_delta.add_pending(board.subject, delta)
        index_delta.copy_pending(
            board.subject, delta, lambda handle, e: copied.update({e.path: os.read(handle, 99)})
        )

        assert copied == {b"a/f": b"a/f"}


def test_c6_huge_file_too_large_a_delta_is_refused_in_the_pause_and_swept_before(
    tmp_path: Path,
) -> None:
    with followed(tmp_path) as board:
        for number in range(20):
            (board.top / f"{number}").touch()

        with pytest.raises(DeltaTooLargeError):
            index_delta.resolve(board.subject, board.detector.changes(), limit=10)
        board.round()

        assert board.get("19") is not None


def test_c6_file_changes_type_what_changes_while_it_should_be_still_is_an_error(
    tmp_path: Path,
) -> None:
    with followed(tmp_path) as board:
        (board.top / "a/f").write_bytes(b"1")
        delta = board.resolve()
        (board.top / "a/f").write_bytes(b"2")

        with pytest.raises(PauseError, match="a/f changed"):
            index_delta.copy_pending(board.subject, delta, lambda handle, entry: None)


def test_c6_file_vanishes_what_is_gone_while_it_should_be_still_is_an_error(
    tmp_path: Path,
) -> None:
    with followed(tmp_path) as board:
        (board.top / "a/f").write_bytes(b"1")
        delta = board.resolve()
        (board.top / "a/f").unlink()

        with pytest.raises(PauseError, match="a/f"):
            index_delta.copy_pending(board.subject, delta, lambda handle, entry: None)


def test_c5_read_error_c6_read_error_is_marked_under_all_names_of_the_file(
    tmp_path: Path,
) -> None:
    def broken(handle: int, entry: Entry) -> None:
        raise OSError(5, os.strerror(5))  # EIO: nothing on this machine makes a real one

    with followed(tmp_path) as board:
        os.link(board.top / "a/f", board.top / "d/f")
        delta = board.resolve()

        unreadable = index_delta.copy_pending(board.subject, delta, broken)

        assert sorted(unreadable) == [b"a/f", b"d/f"]
        assert delta.entries[b"d/f"].omitted is Omitted.UNREADABLE


def test_a_directory_that_is_away_when_it_is_looked_for_is_looked_for_again(
    tmp_path: Path,
) -> None:
    with followed(tmp_path) as board:
        (board.top / "a/b/c/h").write_bytes(b"changed")
        changes = board.detector.changes()
        (board.top / "a").rename(board.top / "away")

        doubtful = index_delta.follow(board.subject, changes, seq=2)
        board.detector.confirm()
        board.detector.doubt(doubtful)
        (board.top / "away").rename(board.top / "a")
        board.round()

        assert doubtful
        assert board.known("a/b/c/h").size == 7
        assert board.pending() == []


class Interrupted(Scanner):
    """Lets something happen just before a path is looked for."""

    path = b""
    deed: Callable[[], object] = staticmethod(lambda: None)

    def find(self, path: bytes) -> Entry | None:
        if path == self.path:
            self.deed()
        return super().find(path)


def test_what_was_entered_from_a_directory_that_is_then_found_gone_is_dropped(
    tmp_path: Path,
) -> None:
    with followed(tmp_path) as board:
        # Inodes are resolved by number: a file, and later the directory above it.
        (board.top / "e").mkdir()
        (board.top / "a/b").rename(board.top / "e/b")
        board.round()
        assert board.known("e/b/g").seen.inode < board.known("e").seen.inode
        (board.top / "e/b/g").write_bytes(b"changed")
        (board.top / "e/new").touch()
        changes = board.detector.changes()
        scanner = Interrupted(board.subject.scanner.root, PathFilter(exclude=()))
        scanner.path, scanner.deed = b"e", lambda: (board.top / "e/b").rename(board.top / "away")

        delta = index_delta.resolve(ScanTarget(board.subject.index, PART, scanner), changes)
        index_delta.apply(board.subject, delta, seq=2)
        gone = board.get("e/b/g")
        board.round()

        assert b"e/b" in delta.removed
        assert gone is None
        assert board.known("away/g").size == 7


def test_a_delta_without_a_detector_is_the_same(tmp_path: Path) -> None:
    with followed(tmp_path) as board:
        (board.top / "a").rename(board.top / "z")
        (board.top / "d/i").write_bytes(b"longer than before")
        exact = board.resolve()
        everything = change_detection.EverythingMayHaveChanged(
            "a test", ctime_window.CtimeWindow(1 << 62, 1 << 62)
        )

        whole = index_delta.resolve(board.subject, everything)

        assert whole.removed == exact.removed
        assert {p: e for p, e in whole.entries.items() if exact.entries.get(p) != e} == {}
