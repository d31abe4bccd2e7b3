"""The index gives back what was put in, whatever the bytes (hostile ones: keeper's tests)."""

from __future__ import annotations

import errno
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import SecurityError, VerificationError
from holdstill.model import entries as entry_streams
from holdstill.model import paths
from holdstill.model.entries import NO_XFLAGS, Entry, EntryType, Omitted, Seen, Xflags
from holdstill.records import attributes, index_check, index_file

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.records.index_queries import Index

pytestmark = pytest.mark.timeout(120)  # many examples, perhaps on a busy machine

PART, SEQ = 2, 7
ROOT = Entry(b"", b"", EntryType.DIRECTORY)
NAMES = st.binary(min_size=1, max_size=6).filter(
    lambda n: n not in {b".", b".."} and b"/" not in n and b"\0" not in n
)
ATTRIBUTES = st.dictionaries(
    st.binary(min_size=1, max_size=5)
    .filter(lambda n: b"\0" not in n)
    .map(lambda n: "user." + n.decode(errors="surrogateescape")),
    st.binary(max_size=9),
    max_size=3,
)
WORDS = st.integers(0, 2**32 - 1)
ENTRIES = st.builds(
    Entry,
    directory=st.just(b""),
    name=NAMES,
    type=st.just(EntryType.FILE),
    mode=st.integers(0, 0o7777),
    uid=st.integers(0, 2**32 - 2),
    gid=st.integers(0, 2**32 - 2),
    size=st.integers(1, 2**60),
    mtime_ns=st.integers(-(2**31) * 10**9, 2**34 * 10**9 - 1),  # all that ext4 can hold
    link=st.just(0),
    rdev=st.just(0),
    flags=WORDS,
    sparse=st.integers(0, 1),
    digest=st.binary(min_size=32, max_size=32),
    xattrs=ATTRIBUTES,
    seen=st.builds(Seen, st.integers(0, 2**63 - 1), st.integers(0, 2**62), WORDS),
    project=WORDS,
    xflags=st.just(NO_XFLAGS) | st.builds(Xflags, st.integers(1, 2**32 - 1), WORDS, WORDS),
)
STREAMS = st.lists(ENTRIES, max_size=8, unique_by=entry_streams.key).map(
    lambda found: sorted([ROOT, *found], key=entry_streams.key)
)


def written(path: Path, entries: Iterable[Entry]) -> Path:
    with index_file.created(path) as index:
        index.put_all(PART, entries, seq=SEQ)
    return path


@given(stream=STREAMS)
def test_entries_come_back_as_they_were_put_in(stream: list[Entry]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = written(Path(folder, "index.sqlite"), stream)

        index_check.check(path)
        with index_file.opened(path) as index:
            found = list(index.entries(PART))

    assert found == stream


TREES = st.lists(st.lists(NAMES, min_size=1, max_size=4).map(b"/".join), min_size=1, max_size=12)


def tree(leaves: Iterable[bytes]) -> list[Entry]:
    """Return the root and every directory above and at these paths."""
    parts = [leaf.split(b"/") for leaf in leaves]
    known = {b"/".join(p[:depth]) for p in parts for depth in range(len(p) + 1)}
    return sorted(
        (Entry(*paths.split(path), EntryType.DIRECTORY) for path in known), key=entry_streams.key
    )


@given(leaves=TREES, data=st.data())
def test_removing_takes_out_a_path_and_what_is_below_and_nothing_else(
    leaves: list[bytes], data: st.DataObject
) -> None:
    stream = tree(leaves)
    victim = data.draw(st.sampled_from([e.path for e in stream if e.path]))
    with tempfile.TemporaryDirectory() as folder:
        path = written(Path(folder, "index.sqlite"), stream)
        with index_file.updated(path) as index:
            index.remove(PART, victim)
        with index_file.opened(path) as index:
            left = [entry.path for entry in index.entries(PART)]

    assert left == [
        e.path for e in stream if e.path != victim and not e.path.startswith(victim + b"/")
    ]


@pytest.fixture
def small(tmp_path: Path) -> Path:
    stream = [
        *tree([b"a/b", b"a-b", b"c"]),
        Entry(b"a", b"f", EntryType.FILE, size=3, digest=b"x" * 32, link=9, seen=Seen(9, 1)),
        Entry(b"c", b"g", EntryType.FILE, size=3, digest=b"x" * 32, link=9, seen=Seen(9, 1)),
        Entry(b"c", b"h", EntryType.FILE, size=5, seen=Seen(10, 1)),
        Entry(b"c", b"s", EntryType.FILE, size=8, omitted=Omitted.SWAP, seen=Seen(11, 1)),
        Entry(b"c", b"e", EntryType.FILE),
    ]
    return written(tmp_path / "index.sqlite", stream)


def test_one_entry_is_found_by_its_path(small: Path) -> None:
    with index_file.opened(small) as index:
        found = index.get(PART, b"c/h")

        assert found is not None
        assert found.size == 5
        assert index.get(PART, b"") == ROOT
        assert index.get(PART, b"c/nothing") is None
        assert index.get(1, b"c/h") is None


def test_a_directory_lists_its_children_only(small: Path) -> None:
    with index_file.opened(small) as index:
        assert [e.path for e in index.children(PART, b"")] == [b"a", b"a-b", b"c"]
        assert [e.path for e in index.children(PART, b"a")] == [b"a/b", b"a/f"]


def test_a_part_is_taken_out_without_another(small: Path) -> None:
    with index_file.updated(small) as index:
        index.put_all(7, list(index.entries(2)), seq=2)
        others = list(index.entries(7))
        index.remove_part(2)

        assert list(index.entries(2)) == []
        assert list(index.entries(7)) == others != []


def test_known_contents_come_page_by_page_in_the_order_of_their_places(tmp_path: Path) -> None:
    places = [(b"", b"b"), (b"", b"c"), (b"a", b"a"), (b"a", b"x")]
    with index_file.created(tmp_path / "index") as index:
        for directory, name in reversed(places):
            known = b"" if name == b"c" else b"d" * 32
            entry = Entry(directory, name, EntryType.FILE, size=5, digest=known)
            index.put(1, entry, seq=1)
            index.put(2, entry, seq=1)

        pages, after = [], (b"", b"")
        for _ in range(3):
            page = index.contents_after(1, after=after, limit=2)
            pages.append([(entry.directory, entry.name) for entry in page])
            after = pages[-1][-1] if page else after

    assert pages == [[(b"", b"b"), (b"a", b"a")], [(b"a", b"x")], []]


def test_all_names_of_an_inode_are_found(small: Path) -> None:
    with index_file.opened(small) as index:
        assert [e.path for e in index.by_inode(PART, 9)] == [b"a/f", b"c/g"]


def test_what_is_pending_is_what_has_bytes_and_no_digest(small: Path) -> None:
    with index_file.opened(small) as index:
        pending = index.pending(PART, after=(b"", b""), limit=10)

        assert [e.path for e in pending] == [b"c/h"]
        assert index.pending_totals(PART) == (1, 5)
        assert index.totals(PART) == (10, 5, 19)


def test_an_inode_that_is_pending_counts_once_whatever_its_names(small: Path) -> None:
    with index_file.updated(small) as index:
        first = index.get(PART, b"a/f")
        assert first is not None
        index.set_digest(PART, first, b"", seq=8)

        assert index.pending_totals(PART) == (2, 3 + 5)


def test_a_digest_is_set_for_every_name_of_an_inode(small: Path) -> None:
    with index_file.updated(small) as index:
        first = index.get(PART, b"a/f")
        assert first is not None
        index.set_digest(PART, first, b"y" * 32, seq=8)

    with index_file.opened(small) as index:
        assert {e.digest for e in index.by_inode(PART, 9)} == {b"y" * 32}
        assert list(index.digests(since=8)) == [(b"y" * 32, 3)]


def test_what_fails_half_way_changes_nothing(small: Path) -> None:
    before = small.read_bytes()

    with pytest.raises(RuntimeError), index_file.updated(small) as index:
        _spoil(index)

    assert small.read_bytes() == before


def _spoil(index: Index) -> None:
    index.remove(PART, b"c")
    raise RuntimeError


def test_a_path_with_odd_letters_is_no_trick_on_sqlite(tmp_path: Path) -> None:
    path = written(tmp_path / "what?mode=memory#%2e.sqlite", [ROOT])

    assert path.is_file()
    with index_file.opened(path) as index:
        assert index.parts() == [PART]


# Names of attributes may be any bytes on Linux; Python writes those that are not UTF-8 as halves
# of pairs. Other halves are no bytes at all (FAULTS S23).
def test_an_attribute_whose_name_is_not_utf_8_is_kept() -> None:
    attributes.check({b"user.caf\xe9".decode(errors="surrogateescape"): b"1"})


@pytest.mark.parametrize("half", [0xD800, 0xDFFF, 0xDC41])
def test_s23_an_attribute_whose_name_is_no_bytes_is_refused(half: int) -> None:
    with pytest.raises(SecurityError, match="attribute"):
        attributes.check({f"user.{chr(half)}": b"1"})


@given(found=STREAMS, chosen=st.sets(st.integers(0, 8)))
def test_m18_many_contents_are_found_and_forgotten_in_one_pass(
    found: list[Entry], chosen: set[int]
) -> None:
    some = {entry.digest for n, entry in enumerate(found) if n in chosen and entry.digest}
    with tempfile.TemporaryDirectory() as folder, index_file.created(Path(folder, "i")) as index:
        index.put_all(PART, found, seq=SEQ)

        holders = index.all_holders(some)
        index.forget(some)

        left = {entry.path: entry.digest for entry in index.entries(PART)}
    assert holders == {
        digest: [(PART, entry.path) for entry in found if entry.digest == digest]
        for digest in some
    }
    assert left == {e.path: b"" if e.digest in some else e.digest for e in found}


def test_a_disk_that_is_full_is_no_damaged_index(tmp_path: Path) -> None:
    with index_file.created(tmp_path / "index"):
        pass
    small = sqlite3.connect(tmp_path / "small")
    small.execute("PRAGMA max_page_count = 1")

    with closing(small), pytest.raises(OSError, match="no room to sort") as caught:  # noqa: SIM117
        with index_file.opened(tmp_path / "index"):
            small.execute("CREATE TABLE one_page_more (a)")

    assert caught.value.errno == errno.ENOSPC


def test_a_full_disk_does_not_make_an_index_damaged_that_is_written_to(tmp_path: Path) -> None:
    with index_file.created(tmp_path / "index"):
        pass
    small = sqlite3.connect(tmp_path / "small")
    small.execute("PRAGMA max_page_count = 1")

    with closing(small), pytest.raises(sqlite3.OperationalError, match="full"):  # noqa: SIM117
        with index_file.updated(tmp_path / "index"):
            small.execute("CREATE TABLE one_page_more (a)")


# What 64 bits hold: sqlite.org/datatype3.html, INTEGER.
@pytest.mark.parametrize(
    ("moment", "kept"),
    [
        (2**63 - 1, 2**63 - 1), (2**63, 0), (2**64 - 1, 0), (2**64, 0),
        (-(2**63), -(2**63)), (-(2**63) - 1, 0),
    ],
)  # fmt: skip
def test_a_ctime_that_no_column_holds_equals_no_other(
    tmp_path: Path, moment: int, kept: int
) -> None:
    entry = Entry(b"", b"f", EntryType.FILE, seen=Seen(11, moment))

    with index_file.created(tmp_path / "index") as index:
        index.put(1, entry, seq=1)

        assert [found.seen.ctime_ns for found in index.entries(1)] == [kept]


def test_m11_an_index_with_texts_longer_than_any_of_ours_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "index"
    with index_file.created(path) as index:
        index.put(1, Entry(b"", b"", EntryType.DIRECTORY), seq=1)
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE entry SET xattrs = ?", ("x" * (1 << 21),))
        db.commit()

    with pytest.raises(SecurityError, match="too big"):  # noqa: SIM117
        with index_file.opened(path) as index:
            list(index.entries(1))


def test_a_database_of_another_kind_is_not_written_to(tmp_path: Path) -> None:
    path = tmp_path / "notes.sqlite"
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE note (text TEXT)")

    with (
        pytest.raises(VerificationError, match="not an index of version"),
        index_file.updated(path),
    ):
        pass


@pytest.mark.parametrize("added", [b" -- \xff", b" -- of ours"])
def test_a_schema_that_is_no_text_or_another_one_is_no_index(tmp_path: Path, added: bytes) -> None:
    """sqlite.org/datatype3.html: nothing keeps bytes that are no UTF-8 out of a text."""
    path = tmp_path / "index"
    with index_file.created(path):
        pass
    with closing(sqlite3.connect(path)) as db, db:
        (schema,) = db.execute("SELECT sql FROM sqlite_master WHERE type = 'table'").fetchone()
        db.execute("PRAGMA writable_schema = ON")
        db.execute(
            "UPDATE sqlite_master SET sql = CAST(? AS TEXT) WHERE type = 'table'",
            (schema.encode() + added,),
        )

    with pytest.raises(SecurityError, match=f"{path}: (not an index: |the schema is not)") as said:  # noqa: SIM117
        with index_file.opened(path):
            pass
    assert ("not an index" in str(said.value)) == (added == b" -- \xff")
