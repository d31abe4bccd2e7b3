"""What an open index answers, question by question, of two parts with much that is alike."""

from __future__ import annotations

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import SecurityError
from holdstill.model.entries import Entry, EntryType, Omitted, Seen, Xflags
from holdstill.records import index_file, index_queries, index_rows, index_schema
from holdstill.records.index_queries import PlacedEntry

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.records.index_queries import Index

ONE, TWO = b"1" * 32, b"2" * 32
ROOT = Entry(b"", b"", EntryType.DIRECTORY, seen=Seen(2, 1))
TREE = [
    ROOT,
    Entry(b"", b"a", EntryType.DIRECTORY, seen=Seen(11, 1)),
    Entry(b"", b"empty", EntryType.FILE, seen=Seen(12, 1)),
    Entry(b"", b"link", EntryType.SYMLINK, target=b"a", seen=Seen(13, 1)),
    Entry(b"", b"swap", EntryType.FILE, size=9, omitted=Omitted.SWAP, seen=Seen(14, 1)),
    Entry(b"a", b"1", EntryType.FILE, size=5, digest=ONE, link=15, seen=Seen(15, 1)),
    Entry(b"a", b"2", EntryType.FILE, size=5, digest=ONE, link=15, seen=Seen(15, 1)),
    Entry(b"a", b"big", EntryType.FILE, size=7000, digest=TWO, seen=Seen(16, 1)),
    Entry(b"a", b"holes", EntryType.FILE, size=600, sparse=1, seen=Seen(17, 1)),
    Entry(b"a", b"new", EntryType.FILE, size=60, seen=Seen(18, 1)),
    Entry(b"a", b"new-1", EntryType.FILE, size=70, link=19, seen=Seen(19, 1)),
    Entry(b"a", b"new-2", EntryType.FILE, size=70, link=19, seen=Seen(19, 1)),
]
OTHER = [ROOT, Entry(b"", b"a", EntryType.FILE, size=3, sparse=1, seen=Seen(11, 1))]


@pytest.fixture
def index(tmp_path: Path) -> Iterator[Index]:
    """An index of two parts; what is in the second must never be in an answer about the first."""
    with index_file.created(tmp_path / "index") as made:
        made.put_all(1, reversed(TREE), seq=5)
        made.put_all(3, OTHER, seq=6)
        yield made


def named(entries: list[Entry] | Iterator[Entry]) -> list[bytes]:
    return [entry.path for entry in entries]


def test_all_entries_come_back_in_the_order_of_their_places(index: Index) -> None:
    assert list(index.entries(1)) == TREE
    assert list(index.entries(3)) == OTHER
    assert list(index.entries(2)) == []
    assert index.parts() == [1, 3]


def test_an_entry_takes_the_place_of_the_one_of_its_path(index: Index) -> None:
    newer = TREE[2]._replace(size=4, digest=TWO)

    index.put(1, newer, seq=7)

    assert index.get(1, b"empty") == newer
    assert len(list(index.entries(1))) == len(TREE)
    assert list(index.digests(since=7)) == [(TWO, 4)]


def test_a_directory_is_listed_in_the_order_of_names_and_from_a_name_on(index: Index) -> None:
    assert named(index.children(1, b"")) == [b"a", b"empty", b"link", b"swap"]
    assert index.children(1, b"b") == []
    assert list(index.names(1, b"")) == [(b"a", 11), (b"empty", 12), (b"link", 13), (b"swap", 14)]
    assert named(index.children_after(1, b"", after=b"a", limit=2)) == [b"empty", b"link"]
    assert named(index.children_after(1, b"", after=b"link", limit=2)) == [b"swap"]
    assert index.children_after(1, b"", after=b"swap", limit=2) == []


def test_an_inode_has_its_names_in_its_own_part(index: Index) -> None:
    assert named(index.by_inode(1, 15)) == [b"a/1", b"a/2"]
    assert named(index.by_inode(3, 11)) == [b"a"]
    assert index.by_inode(1, 99) == []


def test_what_is_wanted_is_asked_of_each_place_of_the_part(index: Index) -> None:
    asked = []

    def is_wanted(directory: bytes, name: bytes) -> bool:
        asked.append((directory, name))
        return name.endswith(b"1")

    assert named(index.matching(1, is_wanted)) == [b"a/1", b"a/new-1"]
    assert asked == [(entry.directory, entry.name) for entry in TREE]


def test_what_a_tree_needs_is_folders_and_known_contents(index: Index) -> None:
    folder = PlacedEntry(b"", b"a", b"", 0)
    files = [
        PlacedEntry(b"a", b"1", ONE, 5),
        PlacedEntry(b"a", b"2", ONE, 5),
        PlacedEntry(b"a", b"big", TWO, 7000),
    ]

    assert list(index.placed(1)) == [folder, *files]
    assert list(index.folders(1)) == [folder]
    assert list(index.files(1)) == files
    assert list(index.placed(3)) == []


def test_what_differs_from_an_older_index_is_told_by_side_and_cut_off(tmp_path: Path) -> None:
    older, newer = tmp_path / "older?", tmp_path / "newer"
    same = Entry(b"", b"same", EntryType.FILE, size=5, digest=ONE, mode=0o600)
    before = [
        ROOT,
        Entry(b"", b"content", EntryType.FILE, size=5, digest=ONE),
        Entry(b"", b"folder", EntryType.DIRECTORY),
        Entry(b"", b"gone", EntryType.DIRECTORY),
        Entry(b"", b"longer", EntryType.FILE, size=5, digest=ONE),
        Entry(b"", b"pending", EntryType.FILE, size=5),
        same,
        Entry(b"", b"turns", EntryType.FIFO),
    ]
    after = [
        ROOT,
        Entry(b"", b"content", EntryType.FILE, size=5, digest=TWO),
        Entry(b"", b"folder", EntryType.DIRECTORY, mode=0o700),
        Entry(b"", b"longer", EntryType.FILE, size=6, digest=ONE),
        same._replace(mode=0o644),
        Entry(b"", b"turns", EntryType.DIRECTORY),
    ]
    with index_file.created(older) as index:
        index.put_all(1, before, seq=1)
        index.put_all(4, before, seq=1)
        index.put_all(2, [ROOT], seq=1)
    with index_file.created(newer) as index:
        index.put_all(1, after, seq=2)

    with index_file.opened_beside(newer, older) as index:
        gone, come = index.placed_changes(1, 10)
        two = index.placed_changes(1, 2)

        assert sorted(index.older_parts()) == [1, 2, 4]
        assert index.parts() == [1]
    assert gone == [
        (b"", b"content", ONE, 5), (b"", b"gone", b"", 0), (b"", b"longer", ONE, 5)
    ]  # fmt: skip
    assert come == [
        (b"", b"content", TWO, 5), (b"", b"longer", ONE, 6), (b"", b"turns", b"", 0)
    ]  # fmt: skip
    assert two == (gone[:2], come[:2])


def test_what_is_no_index_is_nothing_to_compare_with(tmp_path: Path) -> None:
    with index_file.created(tmp_path / "newer"):
        pass
    (tmp_path / "older").write_bytes(b"hello" * 1000)

    with (
        pytest.raises(SecurityError, match="older: not a sound index"),
        index_file.opened_beside(tmp_path / "newer", tmp_path / "older"),
    ):
        pytest.fail("it was compared with")


def test_what_is_to_be_hashed_comes_page_by_page(index: Index) -> None:
    pages, after = [], (b"", b"")
    for _ in range(3):
        page = index.pending(1, after=after, limit=2)
        pages.append([entry.name for entry in page])
        after = (page[-1].directory, page[-1].name) if page else after

    assert pages == [[b"holes", b"new"], [b"new-1", b"new-2"], []]
    assert index.pending_totals(1) == (3, 600 + 60 + 70)
    assert index.pending_totals(2) == (0, 0)
    assert named(index.pending_sparse(1)) == [b"a/holes"]
    assert named(index.omitted(1)) == [b"swap"]
    assert list(index.omitted(3)) == []


@pytest.mark.parametrize(
    ("path", "changed"), [(b"a/new", {b"a/new"}), (b"a/new-2", {b"a/new-1", b"a/new-2"})]
)
def test_a_content_is_recorded_at_all_names_of_its_file_and_no_other(
    index: Index, path: bytes, changed: set[bytes]
) -> None:
    before = {entry.path: entry for entry in index.entries(1)}
    entry = index.get(1, path)
    assert entry is not None
    # The number of an inode may be that of another thing of the board's, once it was seen.
    index.put(1, Entry(b"", b"fifo", EntryType.FIFO, seen=entry.seen), seq=5)

    index.set_digest(1, entry, ONE, seq=9)

    after = {entry.path: entry for entry in index.entries(1) if entry.path != b"fifo"}
    assert {name for name, entry in after.items() if entry != before[name]} == changed
    assert all(after[name] == before[name]._replace(digest=ONE) for name in changed)
    assert list(index.entries(3)) == OTHER
    assert list(index.digests(since=9)) == [(ONE, entry.size)]
    fifo = index.get(1, b"fifo")
    assert fifo is not None
    assert fifo.digest == b""


def test_a_hard_link_s_inode_in_another_part_is_another_file(index: Index) -> None:
    index.put(3, TREE[10], seq=6)

    index.set_digest(1, TREE[10], ONE, seq=9)

    assert index.get(3, b"a/new-1") == TREE[10]


def test_contents_are_forgotten_and_found_by_all_their_holders(index: Index) -> None:
    index.put(3, TREE[7], seq=6)

    assert index.all_holders([TWO, TWO, b"3" * 32]) == {TWO: [(1, b"a/big"), (3, b"a/big")]}
    assert index.holders(ONE) == [(1, b"a/1"), (1, b"a/2")]
    assert index.holders(ONE, 1) == [(1, b"a/1")]
    index.forget([ONE])
    index.forget([])

    assert index.holders(ONE) == []
    assert index.holders(TWO) == [(1, b"a/big"), (3, b"a/big")]
    assert b"a/1" in named(index.pending(1, after=(b"", b""), limit=99))


def test_ten_holders_are_named_unless_more_are_wanted(index: Index) -> None:
    many = [Entry(b"", b"%02d" % n, EntryType.FILE, size=5, digest=b"3" * 32) for n in range(12)]
    index.put_all(3, many, seq=6)

    assert [len(index.holders(b"3" * 32)), len(index.holders(b"3" * 32, 11))] == [10, 11]


def test_a_list_of_contents_is_gone_even_if_its_use_failed(index: Index) -> None:
    with pytest.raises(RuntimeError), index._listed([ONE]):
        raise RuntimeError

    assert index.all_holders([TWO]) == {TWO: [(1, b"a/big")]}


def test_large_files_are_those_of_so_many_bytes_and_more(index: Index) -> None:
    assert named(index.large(1, 7000)) == [b"a/big"]
    assert index.large(1, 7001) == []
    assert named(index.large(1, 5)) == [b"a/1", b"a/2", b"a/big"]
    assert index.large(3, 0) == []


def test_each_content_comes_once_in_order_and_from_a_run_on(index: Index) -> None:
    index.put(3, Entry(b"", b"z", EntryType.FILE, size=1, digest=b"0" * 32), seq=6)

    assert list(index.digests()) == [(b"0" * 32, 1), (ONE, 5), (TWO, 7000)]
    assert list(index.digests(since=5)) == [(b"0" * 32, 1), (ONE, 5), (TWO, 7000)]
    assert list(index.digests(since=6)) == [(b"0" * 32, 1)]
    assert list(index.digests(since=7)) == []


def test_a_part_is_counted(index: Index) -> None:
    sizes = [entry.size for entry in TREE]

    assert index.totals(1) == (len(TREE), 9, sum(sizes))
    assert index.totals(2) == index_queries.Totals(0, 0, 0)


def test_what_is_below_a_path_goes_with_it_in_its_part_alone(index: Index) -> None:
    """Bytes: "." and "/" are neighbours, and so are "/" and "0" (ASCII 2E, 2F, 30)."""
    for name in (b"a.", b"a0", b"a-"):
        index.put(1, Entry(b"", name, EntryType.DIRECTORY), seq=5)
        index.put(1, Entry(name, b"x", EntryType.FIFO), seq=5)
    index.put(1, Entry(b"a/deep/er", b"x", EntryType.FIFO), seq=5)

    index.remove(1, b"a")

    assert named(index.entries(1)) == [
        b"", b"a-", b"a.", b"a0", b"empty", b"link", b"swap", b"a-/x", b"a./x", b"a0/x"
    ]  # fmt: skip
    assert list(index.entries(3)) == OTHER


def test_what_was_committed_stays_when_the_rest_fails(tmp_path: Path) -> None:
    def fail(index: Index) -> None:
        index.put(1, ROOT, seq=1)
        index.commit()
        index.remove_part(1)
        raise RuntimeError

    with pytest.raises(RuntimeError), index_file.created(tmp_path / "index") as index:
        fail(index)

    with index_file.opened(tmp_path / "index") as index:
        assert list(index.entries(1)) == [ROOT]


def test_links_that_differ_in_a_device_number_are_no_links(index: Index) -> None:
    index.check_links()
    for number, name in enumerate((b"x", b"y")):
        index.put(3, Entry(b"", name, EntryType.BLOCK, link=70, rdev=number), seq=6)

    with pytest.raises(SecurityError, match="part 3: link group 70 is not one inode"):
        index.check_links()


def test_two_directories_are_never_one_inode(index: Index) -> None:
    index.put(3, Entry(b"", b"x", EntryType.DIRECTORY, link=70), seq=6)

    with pytest.raises(SecurityError, match="link group 70"):
        index.check_links()


def test_the_same_group_in_two_parts_is_two_inodes(index: Index) -> None:
    index.put(1, Entry(b"", b"x", EntryType.FIFO, link=70), seq=6)
    index.put(3, Entry(b"", b"x", EntryType.SYMLINK, target=b"a", link=70), seq=6)

    index.check_links()


def test_pages_that_are_not_sound_are_refused(tmp_path: Path) -> None:
    """The b-tree page header of the last page (sqlite.org/fileformat2.html, 1.6) is destroyed."""
    path = tmp_path / "index"
    with index_file.created(path) as index:
        index.put_all(1, [Entry(b"", b"%05d" % n, EntryType.FIFO) for n in range(500)], seq=1)
        index.check_pages()
    with path.open("r+b") as file:
        file.seek(-index_schema.PAGE, 2)
        file.write(b"\xff" * 12)

    with index_file.opened(path) as index, pytest.raises(SecurityError, match="sound SQLite file"):
        index.check_pages()


def test_a_row_is_the_entry_column_by_column(index: Index, tmp_path: Path) -> None:
    """By column names, as another program would read it."""
    full = Entry(
        b"a", b"f", EntryType.FILE, mode=0o4711, uid=33, gid=44, size=55, mtime_ns=-1, link=66,
        rdev=77, flags=88, sparse=1, target=b"", digest=ONE, omitted=Omitted.NOTHING,
        xattrs={"user.b": b"\x01\xff", "user.a": b""}, seen=Seen(99, 100, 101),
        project=102, xflags=Xflags(0x10800, 103, 104),
    )  # fmt: skip
    index.put(3, full, seq=12)
    index.commit()

    with closing(sqlite3.connect(tmp_path / "index")) as db:
        db.row_factory = sqlite3.Row
        (row,) = db.execute("SELECT * FROM entry WHERE part = 3 AND name = ?", (b"f",))

    assert dict(row) == {
        "part": 3, "directory": b"a", "name": b"f", "type": 1, "mode": 0o4711, "uid": 33,
        "gid": 44, "size": 55, "mtime": -1, "mtime_ns": 999_999_999, "link": 66, "rdev": 77,
        "flags": 88, "sparse": 1, "target": b"", "digest": ONE, "omitted": 0,
        "xattrs": '{"user.a": "", "user.b": "01ff"}', "inode": 99, "ctime_ns": 100,
        "generation": 101, "project": 102, "xflags": 0x10800, "extent_size": 103,
        "cow_extent_size": 104, "seq": 12,
    }  # fmt: skip
    assert index.get(3, b"a/f") == full


def test_an_index_says_what_it_is(tmp_path: Path) -> None:
    """sqlite.org/fileformat2.html, 1.3: page size at 16, user version at 60, application at 68."""
    with index_file.created(tmp_path / "index"):
        pass

    head = (tmp_path / "index").read_bytes()[:100]
    assert int.from_bytes(head[16:18]) == 4096
    assert int.from_bytes(head[60:64]) == 1
    assert head[68:72] == b"HSIX"


@pytest.mark.parametrize("length", [128 << 10, (128 << 10) * 3 - 2])
def test_attributes_are_read_up_to_their_limit(length: int) -> None:
    text = '{"user.n": "' + "0" * ((length - 14) // 2 * 2) + '"}'

    assert index_rows.decode_xattrs(text) == {"user.n": bytes((length - 14) // 2)}


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b"{}", "no text or too long"),
        (" " * ((128 << 10) * 3) + "{}", "no text or too long"),
        ("[1]", "cannot be read"),
        ("{", "cannot be read"),
        ('{"user.a": 1}', "cannot be read"),
        ("[" * 100_000, "cannot be read"),
    ],
)
def test_attributes_of_no_form_of_ours_are_refused(text: object, why: str) -> None:
    with pytest.raises(SecurityError, match=why):
        index_rows.decode_xattrs(text)


def test_what_only_looks_is_given_no_way_to_write(tmp_path: Path) -> None:
    with index_file.created(tmp_path / "index") as index:
        index.put(1, ROOT, seq=1)

    with (
        pytest.raises(SecurityError, match="readonly"),
        index_file.opened(tmp_path / "index") as i,
    ):
        i.put(1, ROOT, seq=2)


def test_an_index_is_made_anew_over_what_is_there(tmp_path: Path) -> None:
    (tmp_path / "index").write_bytes(b"hello" * 1000)

    with index_file.created(tmp_path / "index") as index:
        index.put(1, ROOT, seq=1)

    with index_file.updated(tmp_path / "index") as index:
        assert list(index.entries(1)) == [ROOT]
    with pytest.raises(sqlite3.ProgrammingError, match="closed"):
        index.parts()


def test_an_index_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(sqlite3.OperationalError), index_file.updated(tmp_path / "index"):
        pytest.fail("it was opened")

    assert list(tmp_path.iterdir()) == []


def test_another_thread_may_ask(index: Index) -> None:
    with ThreadPoolExecutor(1) as others:
        assert others.submit(index.parts).result() == [1, 3]


@pytest.mark.parametrize("entry", [TREE[2], TREE[5]])
def test_what_is_wrong_of_a_row_is_named_whether_it_has_a_content_or_none(entry: Entry) -> None:
    row = list(index_rows.row_of(1, entry, 5))
    row[index_schema.COLUMN_NAMES.index("xattrs")] = 7

    with pytest.raises(SecurityError, match="no text or too long"):
        index_rows.entry_of((*row, 1))
