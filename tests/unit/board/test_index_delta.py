"""What a delta decides: pure, beside the root tests on a real ext4.

A tmpfs numbers its inodes in the order in which they are made, which a test can arrange.
"""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import tempfile
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import full_scan, index_delta
from holdstill.board.change_detection import ChangedInodes, EverythingMayHaveChanged
from holdstill.board.ctime_window import CtimeWindow
from holdstill.board.full_scan import ScanTarget
from holdstill.board.index_delta import Delta, DeltaTooLargeError
from holdstill.board.path_filter import PathFilter
from holdstill.board.scan import Scanner
from holdstill.errors import PauseError
from holdstill.model.entries import Entry, EntryType, Omitted, Seen
from holdstill.records import index_file, index_schema
from holdstill.records.index_queries import Index
from holdstill.system import files
from support import descriptors
from support.keeping import MEMORY

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

PART = 2
LONG_AGO = CtimeWindow(0, 0)
TRUSTING = ChangedInodes(frozenset(), by_ctime=frozenset(), recent=LONG_AGO)


class HookedScanner(Scanner):
    """A scanner while services run: something happens before a path is looked up."""

    before: Callable[[bytes], None] = staticmethod(lambda path: None)

    def find(self, path: bytes) -> Entry | None:
        self.before(path)
        return super().find(path)


@dataclass
class Scanned:
    """A tree, and an index of it that was right when it was made."""

    top: Path
    subject: ScanTarget
    scanner: HookedScanner

    def row(self, path: bytes) -> Entry:
        row = self.subject.index.get(PART, path)
        assert row is not None
        return row

    def resolve(self, *changed: bytes, limit: int = 100, recent: CtimeWindow = LONG_AGO) -> Delta:
        """Resolve a change of these paths of the index; ctimes that are not recent are proofs."""
        numbers = frozenset(self.row(path).seen.inode for path in changed)
        changes = ChangedInodes(numbers, by_ctime=numbers, recent=recent)
        return index_delta.resolve(self.subject, changes, limit=limit)


@contextmanager
def scanned(*paths: str) -> Iterator[Scanned]:
    """Make a tree of files with their path as content, and scan it."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        top = Path(folder, "top")
        for path in paths:
            (top / path).parent.mkdir(parents=True, exist_ok=True)
            (top / path).write_text(path, encoding="ascii")
        with (
            files.opened(top, os.O_RDONLY | os.O_DIRECTORY) as root,
            index_file.created(Path(folder, "index")) as index,
        ):
            scanner = HookedScanner(root, PathFilter(exclude=()))
            subject = ScanTarget(index, PART, scanner)
            full_scan.scan_all(subject, EverythingMayHaveChanged("new", None), seq=1)
            yield Scanned(top, subject, scanner)


def a_file(path: bytes, *, link: int = 0) -> Entry:
    return Entry(b"", path, EntryType.FILE, size=5, link=link)


def test_giving_up_an_unlinked_file_costs_no_other() -> None:
    delta = Delta(entries={name: a_file(name) for name in (b"a", b"b", b"c")})

    assert delta.give_up(delta.entries[b"a"]) == [b"a"]
    assert [entry.omitted for entry in delta.entries.values()] == [
        Omitted.UNREADABLE, Omitted.NOTHING, Omitted.NOTHING,
    ]  # fmt: skip


def test_only_what_has_a_content_that_is_not_known_is_pending_and_each_inode_once() -> None:
    wanted = a_file(b"wanted")._replace(digest=b"", size=1)
    one, other = (wanted._replace(name=name, link=7) for name in (b"one", b"other"))
    known = a_file(b"known")._replace(digest=bytes(32), size=1)
    empty = a_file(b"empty")._replace(digest=b"", size=0)
    entries = {entry.path: entry for entry in (known, wanted, one, empty, other)}

    found = [entry.path for entry in Delta(entries=entries).pending()]

    assert found == [b"wanted", b"one"]


def test_giving_up_a_linked_file_costs_all_its_names() -> None:
    links = {b"a": 7, b"b": 8, b"c": 7, b"d": 0}
    delta = Delta(entries={name: a_file(name, link=link) for name, link in links.items()})

    assert delta.give_up(delta.entries[b"a"]) == [b"a", b"c"]
    assert delta.entries[b"b"].omitted is delta.entries[b"d"].omitted is Omitted.NOTHING


def test_an_inode_that_might_have_changed_and_has_not_is_left_alone() -> None:
    with scanned("a/f") as tree:
        assert tree.resolve(b"a/f") == Delta()


def test_an_inode_whose_ctime_is_too_new_to_be_a_proof_is_read_again() -> None:
    with scanned("a/f", "a/g") as tree:
        ctime = tree.row(b"a/f").seen.ctime_ns

        delta = tree.resolve(b"a/f", recent=CtimeWindow(ctime, ctime))

        assert [entry.path for entry in delta.pending()] == [b"a/f"]


def test_an_inode_with_another_ctime_has_changed_however_old_that_is() -> None:
    with scanned("a/f", "a/g") as tree:
        (tree.top / "a/f").chmod(0o600)

        delta = tree.resolve(b"a/f", b"a/g")

        assert list(delta.entries) == [b"a/f"]
        assert delta.entries[b"a/f"].mode == 0o600
        assert [entry.path for entry in delta.pending()] == [b"a/f"]


def test_a_directory_of_another_generation_is_another_one_with_all_that_is_in_it() -> None:
    with scanned("a/f", "a/old") as tree:
        (tree.top / "a/old").unlink()
        row = tree.row(b"a")
        seen = row.seen._replace(generation=row.seen.generation + 1)
        tree.subject.index.put(PART, row._replace(seen=seen), seq=1)

        delta = tree.resolve(b"a")

        assert delta.removed == {b"a"}
        assert list(delta.entries) == [b"a", b"a/f"]


def test_a_directory_of_the_same_generation_is_compared_name_by_name() -> None:
    with scanned("a/f", "a/old") as tree:
        (tree.top / "a/old").unlink()
        (tree.top / "a/new").touch()

        delta = tree.resolve(b"a")

        assert delta.removed == {b"a/old"}
        assert list(delta.entries) == [b"a", b"a/new"]


def test_what_comes_back_without_its_directory_is_left_to_the_next_round() -> None:
    with scanned("a/f", "b/g") as tree:
        (tree.top / "a").rename(tree.top.parent / "away")
        (tree.top.parent / "away/f").chmod(0o600)
        (tree.top / "b/g").chmod(0o600)

        def come_back(path: bytes) -> None:
            if path == b"a/f":
                (tree.top.parent / "away").rename(tree.top / "a")

        tree.scanner.before = come_back
        delta = tree.resolve(b"", b"a/f", b"b/g")

        # The root was listed while "a" was away: without its row, one below it cannot be entered.
        assert delta.removed == {b"a"}
        assert set(delta.entries) == {b"", b"b/g"}


def test_a_path_that_was_replaced_below_a_directory_that_stayed_is_entered() -> None:
    with scanned("a/f", "b/g") as tree:
        row = tree.row(b"a/f")
        seen = row.seen._replace(generation=row.seen.generation + 1)
        was = row._replace(type=EntryType.DIRECTORY, size=0, digest=b"", seen=seen)
        tree.subject.index.put(PART, was, seq=1)

        delta = tree.resolve(b"a/f")

        assert delta.removed == {b"a/f"}
        assert list(delta.entries) == [b"a/f"]


def test_a_directory_in_whose_place_is_a_file_of_the_same_number_takes_all_with_it() -> None:
    # Generations do not tell them apart where a file system has none.
    with scanned("a/f", "b/g") as tree:
        row = tree.row(b"a/f")
        below = row._replace(
            directory=b"a/f", name=b"below", seen=row.seen._replace(inode=1 << 40)
        )
        was = row._replace(type=EntryType.DIRECTORY, size=0, digest=b"")
        for entry in (was._replace(seen=row.seen._replace(ctime_ns=1)), below):
            tree.subject.index.put(PART, entry, seq=1)

        delta = tree.resolve(b"a/f")

        assert delta.removed == {b"a/f"}
        assert list(delta.entries) == [b"a/f"]
        assert delta.entries[b"a/f"].type is EntryType.FILE


def test_a_file_in_whose_place_is_a_directory_of_the_same_number_is_entered_with_all_below() -> (
    None
):
    with scanned("a/f/g", "b") as tree:
        row, below = tree.row(b"a/f"), tree.row(b"a/f/g")
        was = row._replace(type=EntryType.FILE, size=5, seen=row.seen._replace(ctime_ns=1))
        tree.subject.index.remove(PART, below.path)
        tree.subject.index.put(PART, was, seq=1)

        delta = tree.resolve(b"a/f")

        assert delta.removed == {b"a/f"}
        assert sorted(delta.entries) == [b"a/f", b"a/f/g"]


def test_a_file_of_another_name_is_not_read_again() -> None:
    with scanned("a/f", "b/g") as tree:
        digest = b"d" * 32
        tree.subject.index.put(PART, tree.row(b"a/f")._replace(digest=digest), seq=1)
        known = tree.row(b"a/f")
        found = known._replace(name=b"h", digest=b"")

        entry = full_scan.with_content(tree.subject, found, TRUSTING)

        assert entry == found._replace(digest=digest)


def test_an_inode_that_is_not_where_it_was_is_doubtful_until_a_directory_tells() -> None:
    with scanned("a/f") as tree:
        (tree.top / "a/f").unlink()

        alone, with_directory = tree.resolve(b"a/f"), tree.resolve(b"a/f", b"a")

        assert alone.doubtful == {tree.row(b"a/f").seen.inode}
        assert (with_directory.removed, with_directory.doubtful) == ({b"a/f"}, set())


def test_what_a_scanner_doubted_before_is_no_doubt_of_the_next_look() -> None:
    with scanned("a/f") as tree:
        tree.scanner.doubtful.add(1 << 40)

        assert tree.resolve(b"a/f").doubtful == set()


@pytest.mark.parametrize("paths", [("a/f",), ("a/f", "a/g", "b")])
def test_what_is_in_the_index_without_a_content_is_entered_however_little_it_is(
    paths: tuple[str, ...],
) -> None:
    with scanned(*paths) as tree:
        delta = Delta()
        index_delta.add_pending(tree.subject, delta)

        assert {entry.path for entry in delta.pending()} == {path.encode() for path in paths}


def test_a_second_scan_takes_out_of_the_index_what_is_gone_or_a_file_now() -> None:
    with scanned("a/f", "b", "c/d/g") as tree:
        shutil.rmtree(tree.top / "a")
        (tree.top / "a").write_bytes(b"a file now")
        shutil.rmtree(tree.top / "c/d")

        full_scan.scan_all(tree.subject, EverythingMayHaveChanged("new", None), seq=2)

        left = [entry.path for entry in tree.subject.index.entries(PART)]
        assert sorted(left) == [b"", b"a", b"b", b"c"]


def test_a_delta_has_a_limit() -> None:
    with scanned("a/f", "a/g", "a/h") as tree:
        for name in ("f", "g", "h"):
            (tree.top / "a" / name).chmod(0o600)
        paths = (b"a/f", b"a/g", b"a/h")

        assert len(tree.resolve(*paths, limit=3).entries) == 3
        with pytest.raises(DeltaTooLargeError):
            tree.resolve(*paths, limit=2)


def test_a_delta_covers_what_is_below_a_removed_path() -> None:
    delta = Delta(removed={b"a/b"}, entries={b"c": a_file(b"c")})

    assert [path for path in (b"a", b"a/b", b"a/b/x", b"a/bx", b"c", b"c/x", b"") if
            delta.covers(path)] == [b"a/b", b"a/b/x", b"c"]  # fmt: skip


EVERYTHING = EverythingMayHaveChanged("new", None)


def test_where_everything_may_have_changed_the_whole_tree_is_looked_at_within_a_limit() -> None:
    with scanned("a/f", "a/g", "b") as tree:
        (tree.top / "a/f").unlink()
        (tree.top / "b").chmod(0o600)
        (tree.top / "c").write_bytes(b"new")
        os.utime(tree.top, ns=(0, tree.row(b"").mtime_ns))

        delta = index_delta.resolve(tree.subject, EVERYTHING, limit=100)
        count = len(delta.entries)

        assert delta.removed == {b"a/f"}
        assert {b"b", b"c"} <= delta.entries.keys()
        assert len(index_delta.resolve(tree.subject, EVERYTHING, limit=count).entries) == count
        with pytest.raises(DeltaTooLargeError, match=f"more than {count - 1} files"):
            index_delta.resolve(tree.subject, EVERYTHING, limit=count - 1)


def test_what_has_no_content_yet_counts_within_the_limit() -> None:
    with scanned("a/f", "a/g", "b") as tree:
        index_delta.add_pending(tree.subject, Delta(), limit=3)

        with pytest.raises(DeltaTooLargeError, match="more than 2 files"):
            index_delta.add_pending(tree.subject, Delta(), limit=2)


def test_a_folder_in_whose_place_is_a_file_goes_before_the_file_comes() -> None:
    """Else the file would go with what was below the folder."""
    with scanned("a/f", "b") as tree:
        shutil.rmtree(tree.top / "a")
        (tree.top / "a").write_bytes(b"a file now")

        full_scan.scan_all(tree.subject, EVERYTHING, seq=2)

        assert tree.row(b"a").type is EntryType.FILE
        assert [e.path for e in tree.subject.index.entries(PART)] == [b"", b"a", b"b"]


DIGEST = b"7" * 32


@pytest.mark.parametrize(
    ("recent", "change", "known"),
    [
        (None, lambda row: row, b""),
        (LONG_AGO, lambda row: row, DIGEST),
        (LONG_AGO, lambda row: row._replace(size=4), b""),
        (LONG_AGO, lambda row: row._replace(seen=Seen(1, 1)), b""),
    ],
)
def test_a_content_is_known_where_nothing_speaks_for_a_change(
    recent: CtimeWindow | None, change: Callable[[Entry], Entry], known: bytes
) -> None:
    with scanned("a/f") as tree:
        old = tree.row(b"a/f")._replace(digest=DIGEST)
        tree.subject.index.put(PART, change(old), seq=1)

        full_scan.scan_all(tree.subject, EverythingMayHaveChanged("new", recent), seq=2)

        assert tree.row(b"a/f") == old._replace(digest=known)


class CountedIndex(Index):
    """An index that notes how many rows are written at a time."""

    written: tuple[int, ...] = ()

    def put_all(self, part: int, entries: Iterable[Entry], *, seq: int) -> None:
        rows = list(entries)
        self.written += (len(rows),)
        super().put_all(part, rows, seq=seq)


def test_what_a_scan_finds_is_written_page_by_page() -> None:
    paths = [f"{number:03}" for number in range(full_scan.PAGE + 1)]
    with scanned(*paths) as tree, closing(sqlite3.connect(":memory:")) as db:
        db.executescript(index_schema.SCHEMA)
        index = CountedIndex(db)

        full_scan.scan_all(ScanTarget(index, PART, tree.scanner), EVERYTHING, seq=1)

        assert index.written == (full_scan.PAGE, 2)  # the root is one
        assert list(index.entries(PART)) == list(tree.subject.index.entries(PART))


def test_following_a_whole_tree_tells_what_its_scanner_doubts() -> None:
    with scanned("a/f") as tree:
        tree.scanner.doubtful.add(77)

        (tree.top / "a/g").write_bytes(b"new")
        told: list[full_scan.Step] = []

        assert index_delta.follow(tree.subject, EVERYTHING, seq=2, noted=told.append) == {77}
        assert tree.scanner.doubtful == set()
        assert tree.row(b"a/g") in told


def test_what_a_delta_found_gone_goes_out_of_the_index_and_what_it_found_comes_in() -> None:
    with scanned("a/f", "b") as tree:
        new = a_file(b"c")

        index_delta.apply(tree.subject, Delta(removed={b"a"}, entries={b"c": new}), seq=2)

        assert [entry.path for entry in tree.subject.index.entries(PART)] == [b"", b"b", b"c"]
        assert tree.row(b"c") == new


def test_a_content_that_the_card_does_not_give_back_is_told() -> None:
    def copy(handle: int, entry: Entry) -> None:
        if entry.path == b"a/f":
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    with scanned("a/f", "b") as tree:
        delta = Delta()
        index_delta.add_pending(tree.subject, delta)

        assert index_delta.copy_pending(tree.subject, delta, copy) == [b"a/f"]
        assert delta.entries[b"a/f"].omitted is Omitted.UNREADABLE


def test_a_scan_tells_every_step_before_it_is_taken() -> None:
    with scanned("a/f", "b") as tree:
        (tree.top / "b").unlink()
        (tree.top / "c").write_bytes(b"new")
        told: list[tuple[full_scan.Step, bool]] = []

        def note(step: full_scan.Step) -> None:
            told.append((step, tree.subject.index.get(PART, b"c") is not None))

        full_scan.scan_all(tree.subject, EVERYTHING, seq=2, noted=note)

        steps = {step.path: (type(step), is_in) for step, is_in in told}
        assert steps[b"b"] == (full_scan.Removal, False)
        assert steps[b"c"] == (Entry, False)
        assert tree.subject.index.get(PART, b"b") is None


def test_a_scan_hands_on_what_it_has_entered_and_keeps_what_is_made_of_it() -> None:
    paths = [f"d/{number:04}" for number in range(2 * full_scan.PAGE)]
    with scanned("d/0000") as tree:
        for path in paths:
            (tree.top / path).write_text(path, encoding="ascii")
        told: list[bytes] = []

        def take(entries: Sequence[Entry]) -> None:
            for entry in entries:
                assert tree.row(entry.path) == entry
                told.append(entry.path)
                tree.subject.index.set_digest(PART, entry, bytes(31) + b"1", seq=2)

        full_scan.scan_all(tree.subject, EVERYTHING, seq=2, entered=take)

        assert told == [b"d", *map(str.encode, paths)]
        assert {tree.row(path.encode()).digest for path in paths} == {bytes(31) + b"1"}


def test_following_a_few_inodes_tells_every_step() -> None:
    with scanned("a/f", "a/g") as tree:
        numbers = frozenset(tree.row(path).seen.inode for path in (b"a", b"a/g"))
        (tree.top / "a/g").unlink()
        told: list[bytes] = []

        doubtful = index_delta.follow(
            tree.subject,
            ChangedInodes(numbers, by_ctime=numbers, recent=LONG_AGO),
            seq=2,
            noted=lambda step: told.append(step.path),
        )

        assert doubtful == set()
        assert set(told) == {b"a", b"a/g"}
        assert tree.subject.index.get(PART, b"a/g") is None


# What the index knows of an unchanged file's content, and what becomes of it at the next look.
@pytest.mark.parametrize(
    ("known", "seen", "then"),
    [
        (Omitted.NOTHING, Omitted.NOTHING, (DIGEST, Omitted.NOTHING)),
        (Omitted.UNREADABLE, Omitted.NOTHING, (DIGEST, Omitted.UNREADABLE)),
        (Omitted.SWAP, Omitted.NOTHING, (b"", Omitted.NOTHING)),
        (Omitted.SWAP, Omitted.SWAP, (b"", Omitted.SWAP)),
        (Omitted.NOTHING, Omitted.SWAP, (b"", Omitted.SWAP)),
        (Omitted.NOTHING, Omitted.UNREADABLE, (b"", Omitted.UNREADABLE)),
    ],
)
def test_whether_a_file_is_swap_is_decided_again_at_every_look(
    known: Omitted, seen: Omitted, then: tuple[bytes, Omitted]
) -> None:
    row = a_file(b"f")._replace(digest=DIGEST, omitted=known)
    entry = a_file(b"f")._replace(omitted=seen)

    filled = full_scan._filled(row, entry)

    assert (filled.digest, filled.omitted) == then


def test_a_scan_of_what_has_not_changed_tells_and_writes_nothing() -> None:
    with scanned("a/f", "b") as tree:
        for path in (b"a/f", b"b"):
            tree.subject.index.put(PART, tree.row(path)._replace(digest=DIGEST), seq=1)
        told: list[full_scan.Step] = []

        full_scan.scan_all(
            tree.subject, EverythingMayHaveChanged("new", LONG_AGO), seq=2, noted=told.append
        )

        assert told == []


@pytest.mark.parametrize("kind", [kind for kind in EntryType if kind is not EntryType.FILE])
def test_only_regular_files_have_a_content_to_wait_for(kind: EntryType) -> None:
    assert full_scan.is_pending(a_file(b"f"))
    assert not full_scan.is_pending(a_file(b"f")._replace(type=kind))


def test_following_an_inode_that_is_not_where_it_was_tells_that_it_is_doubtful() -> None:
    with scanned("a/f") as tree:
        numbers = frozenset({tree.row(b"a/f").seen.inode})
        (tree.top / "a/f").unlink()

        found = index_delta.follow(tree.subject, ChangedInodes(numbers), seq=2)

        assert found == numbers


def test_what_was_entered_before_its_directory_became_another_one_is_dropped() -> None:
    """A file is made before the directories that it is moved into, and so has a lower number."""
    with scanned("f", "d/a/g") as tree:
        (tree.top / "f").rename(tree.top / "d/a/f")
        full_scan.scan_all(tree.subject, EVERYTHING, seq=2)
        assert tree.row(b"d/a/f").seen.inode < tree.row(b"d").seen.inode
        (tree.top / "d/a/f").chmod(0o600)

        def become_another(path: bytes) -> None:
            if path == b"d":
                (tree.top / "d/a").rename(tree.top.parent / "away")
                (tree.top / "d/a").mkdir()

        tree.scanner.before = become_another
        delta = tree.resolve(b"d/a/f", b"d")

        assert delta.removed == {b"d/a"}
        assert set(delta.entries) == {b"d", b"d/a"}


# What must not happen while a file system is held still, and what is told then.
def test_nothing_is_copied_while_something_is_doubtful() -> None:
    with scanned("a/f") as tree:
        delta = Delta(doubtful={77})
        index_delta.add_pending(tree.subject, delta)

        with pytest.raises(PauseError, match="changed although it was held still"):
            index_delta.copy_pending(
                tree.subject, delta, lambda handle, entry: pytest.fail("read")
            )


def test_a_file_that_is_another_one_now_was_not_held_still() -> None:
    with scanned("a/f", "b") as tree:
        delta = Delta()
        index_delta.add_pending(tree.subject, delta)
        (tree.top / "a/f").unlink()
        (tree.top / "a/f").write_bytes(b"other")
        before, copied = descriptors.count(), []

        with pytest.raises(PauseError, match="a/f changed although it was held still"):
            index_delta.copy_pending(
                tree.subject, delta, lambda handle, entry: copied.append(entry.path)
            )

        assert b"a/f" not in copied
        assert descriptors.count() == before


@pytest.mark.parametrize("number", [errno.ENOENT, errno.EACCES, errno.ENOSPC])
def test_only_what_the_card_does_not_give_back_is_given_up(number: int) -> None:
    def copy(handle: int, entry: Entry) -> None:
        raise OSError(number, os.strerror(number))

    with scanned("a/f") as tree:
        delta = Delta()
        index_delta.add_pending(tree.subject, delta)
        before = descriptors.count()

        with pytest.raises(PauseError, match=f"a/f: {os.strerror(number)}, although it was held"):
            index_delta.copy_pending(tree.subject, delta, copy)

        assert delta.entries[b"a/f"].omitted is Omitted.NOTHING
        assert descriptors.count() == before
