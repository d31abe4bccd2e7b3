"""An index from a board that was broken into: SQLite files that no agent of ours wrote."""

from __future__ import annotations

import functools
import sqlite3
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from holdstill.errors import SecurityError, VerificationError
from holdstill.model import paths
from holdstill.model.entries import Entry, EntryType, Omitted
from holdstill.records import attributes, index_check, index_file, index_schema
from support import keeping
from support.contents import in_order

if TYPE_CHECKING:
    from pathlib import Path

DIGEST = bytes(range(32))
ROOT = Entry(b"", b"", EntryType.DIRECTORY)
ETC = Entry(b"", b"etc", EntryType.DIRECTORY)
FSTAB = Entry(b"etc", b"fstab", EntryType.FILE, size=5, digest=DIGEST)
PLAIN = [ROOT, ETC, FSTAB]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "index.sqlite"


def refuse(path: Path) -> str:
    """Return why the index is refused."""
    with pytest.raises(SecurityError) as caught:
        index_check.check(path)
    return str(caught.value)


def altered(path: Path, *statements: str) -> Path:
    """Write a plain index and then do to it what no agent would."""
    keeping.write_index(path, {2: PLAIN})
    with sqlite3.connect(path) as db:
        for statement in statements:
            db.execute(statement)
        db.commit()
    db.close()
    return path


def test_a_plain_index_is_sound(file: Path) -> None:
    index_check.check(keeping.write_index(file, {2: PLAIN}))


@pytest.mark.parametrize(
    "entry",
    [
        Entry(b"..", b"x", EntryType.FILE),
        Entry(b"", b"..", EntryType.DIRECTORY),
        Entry(b"", b".", EntryType.DIRECTORY),
        Entry(b"etc/..", b"x", EntryType.FILE),
        Entry(b"/etc", b"x", EntryType.FILE),
        Entry(b"etc/", b"x", EntryType.FILE),
        Entry(b"etc", b"", EntryType.FILE),
        Entry(b"", b"/etc/passwd", EntryType.FILE),
        Entry(b"", b"a/b", EntryType.FILE),
        Entry(b"etc", b"nul\0", EntryType.FILE),
        Entry(b"", b"n" * 256, EntryType.FILE),
        Entry(b"/".join([b"d"] * 300), b"x", EntryType.FILE),
        Entry(b"d" * 5000, b"x", EntryType.FILE),
    ],
)
def test_s25_a_path_that_leads_elsewhere_is_refused(file: Path, entry: Entry) -> None:
    refuse(keeping.write_index(file, {2: [*PLAIN, entry]}))


@pytest.mark.parametrize(
    "parent",
    [
        Entry(b"", b"a", EntryType.SYMLINK, target=b"/etc"),
        Entry(b"", b"a", EntryType.FILE, size=5, digest=DIGEST),
        Entry(b"", b"a", EntryType.CHARACTER),
        Entry(b"", b"a", EntryType.FIFO),
        Entry(b"", b"b", EntryType.DIRECTORY),
    ],
)
def test_s26_an_entry_below_what_is_no_directory_is_refused(file: Path, parent: Entry) -> None:
    below = Entry(b"a", b"passwd", EntryType.FILE, size=5, digest=DIGEST)

    assert "no listed directory" in refuse(keeping.write_index(file, {2: [ROOT, parent, below]}))


@pytest.mark.parametrize(
    "other",
    [
        Entry(b"", b"x", EntryType.SYMLINK, target=b"/etc/passwd", link=7),
        Entry(b"", b"x", EntryType.DIRECTORY, link=7),
        Entry(b"", b"x", EntryType.FILE, size=5, digest=bytes(32), link=7),
        Entry(b"", b"x", EntryType.FILE, size=6, digest=DIGEST, link=7),
        Entry(b"", b"x", EntryType.FILE, size=5, digest=DIGEST, link=7, mode=0o4755),
    ],
)
def test_s27_a_hard_link_to_something_unlike_is_refused(file: Path, other: Entry) -> None:
    group = [ROOT, ETC, FSTAB._replace(link=7), other]

    assert "not one inode" in refuse(keeping.write_index(file, {2: group}))


def test_s27_two_names_of_one_inode_are_of_one_type(file: Path) -> None:
    empty = Entry(b"", b"x", EntryType.FILE, link=7)
    pipe = Entry(b"", b"y", EntryType.FIFO, link=7)

    assert "not one inode" in refuse(keeping.write_index(file, {2: [ROOT, empty, pipe]}))


@pytest.mark.parametrize(
    ("column", "least", "most"),
    [
        ("mtime", -(2**40), 2**40),
        ("mtime_ns", 0, 999_999_999),
        ("mode", 0, 0o7777),
        ("uid", 0, 2**32 - 2),
        ("gid", 0, 2**32 - 2),
        ("flags", 0, 2**32 - 1),
        ("sparse", 0, 1),
        ("omitted", 0, 2),
        ("generation", 0, 2**32 - 1),
        ("project", 0, 2**32 - 1),
        ("xflags", 0, 2**32 - 1),
        ("extent_size", 0, 2**32 - 1),
        ("cow_extent_size", 0, 2**32 - 1),
        ("seq", 0, 999_999_999),
        ("part", 1, 8_000_000_000),
        # SQLite's largest integers (sqlite.org/datatype3.html): what is past them is no integer.
        ("rdev", 0, 2**63 - 1),
        ("link", 0, 2**63 - 1),
        ("inode", 0, 2**63 - 1),
        ("ctime_ns", -(2**63), 2**63 - 1),
    ],
)
def test_s24_a_number_outside_its_limits_is_refused_and_one_at_them_is_not(
    file: Path, column: str, least: int, most: int
) -> None:
    update = "UPDATE entry SET {} = {}".format
    for value in (least, most):
        with index_file.opened(altered(file, update(column, value))) as index:
            for part in index.parts():
                assert len(list(index.entries(part))) == 3
        file.unlink()
    for value in (least - 1, most + 1):
        assert f"{column} is " in refuse(altered(file, update(column, value)))
        file.unlink()


@pytest.mark.parametrize(("size", "is_good"), [(2**60, True), (2**60 + 1, False), (-1, False)])
def test_s24_a_file_is_of_an_exbibyte_at_most(file: Path, size: int, *, is_good: bool) -> None:
    update = "UPDATE entry SET size = {} WHERE name = CAST('fstab' AS BLOB)".format
    path = altered(file, update(size))

    if is_good:
        index_check.check(path)
    else:
        assert "size" in refuse(path)


def test_s25_a_path_has_255_components_at_most(file: Path) -> None:
    deep = [Entry(b"/".join([b"d"] * n), b"d", EntryType.DIRECTORY) for n in range(254)]
    last = Entry(b"/".join([b"d"] * 254), b"x", EntryType.FIFO)
    too_deep = Entry(b"/".join([b"d"] * 255), b"x", EntryType.FIFO)

    index_check.check(keeping.write_index(file, {2: in_order([ROOT, *deep, last])}))
    file.unlink()
    deeper = Entry(b"/".join([b"d"] * 254), b"d", EntryType.DIRECTORY)
    more = in_order([ROOT, *deep, deeper, too_deep])
    assert "deep" in refuse(keeping.write_index(file, {2: more}))


@pytest.mark.parametrize(
    ("size", "why"), [(4 << 30, "not a sound index"), ((4 << 30) + 1, "larger")]
)
def test_s24_a_file_of_more_than_four_gibibytes_is_not_even_opened(
    file: Path, size: int, why: str
) -> None:
    with file.open("wb") as sparse:
        sparse.truncate(size)

    assert why in refuse(file)


def test_attributes_of_64_kib_come_back_as_they_were(file: Path) -> None:
    value = bytes(range(256)) * 256  # XATTR_SIZE_MAX of linux/limits.h
    entry = FSTAB._replace(xattrs={"user.tide": value})

    with index_file.opened(keeping.write_index(file, {2: [ROOT, ETC, entry]})) as index:
        assert index.get(2, b"etc/fstab") == entry


@pytest.mark.parametrize("name", [b"aaa", b"aaA"])
def test_s30_a_row_that_was_forged_to_be_there_twice_or_out_of_order_is_refused(
    file: Path, name: bytes
) -> None:
    """SQLite's quick_check lets both pass: the key's order is not among what it looks at."""
    rows = [ROOT, *(Entry(b"", each, EntryType.FIFO) for each in (b"aaa", b"aab"))]
    path = keeping.write_index(file, {2: rows})
    index_check.check(path)
    path.write_bytes(path.read_bytes().replace(b"aab", name))

    assert "it is listed twice, or unordered" in refuse(path)


def test_a_group_of_hard_links_is_sound(file: Path) -> None:
    alike = Entry(b"", b"x", EntryType.FILE, size=5, digest=DIGEST, link=7)

    index_check.check(keeping.write_index(file, {2: [ROOT, ETC, FSTAB._replace(link=7), alike]}))


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("size", "-1"),
        ("size", "1152921504606846977"),
        ("size", "9223372036854775807"),
        ("size", "5.5"),
        ("size", "x'05'"),
        ("mode", "4096"),
        ("mode", "-1"),
        ("uid", "4294967295"),
        ("gid", "-1"),
        ("type", "0"),
        ("type", "8"),
        ("link", "-1"),
        ("flags", "4294967296"),
        ("project", "4294967296"),
        ("xflags", "'none'"),
        ("extent_size", "-1"),
        ("sparse", "2"),
        ("omitted", "3"),
        ("seq", "1000000000"),
        ("mtime_ns", "'now'"),
        ("part", "0"),
        ("part", "1025"),
        ("part", "'two'"),
        ("digest", "x'00'"),
        ("digest", "'text'"),
        ("digest", "zeroblob(64)"),
        ("target", "zeroblob(5000)"),
        ("name", "'text'"),
        ("directory", "'etc'"),
        ("xattrs", "'not json'"),
        ("xattrs", "'[]'"),
        ("xattrs", """'{"user.a": "zz"}'"""),
        ("xattrs", """'{"user.a": 1}'"""),
        ("xattrs", "x'00'"),
    ],
)
def test_s30_a_value_out_of_its_range_or_type_is_refused(
    file: Path, column: str, value: str
) -> None:
    refuse(altered(file, f"UPDATE entry SET {column} = {value} WHERE name = x'6673746162'"))  # noqa: S608


def test_s29_the_largest_size_that_is_taken_is_told(file: Path) -> None:
    largest = FSTAB._replace(size=2**60)

    index_check.check(keeping.write_index(file, {2: [ROOT, ETC, largest]}))


@pytest.mark.parametrize(
    "entry",
    [
        Entry(b"etc", b"x", EntryType.FILE, size=5),
        Entry(b"etc", b"x", EntryType.FILE, size=0, digest=DIGEST),
        Entry(b"etc", b"x", EntryType.FILE, size=5, digest=DIGEST, omitted=Omitted.UNREADABLE),
        Entry(b"etc", b"x", EntryType.SYMLINK),
        Entry(b"etc", b"x", EntryType.FILE, target=b"/etc"),
        Entry(b"etc", b"x", EntryType.DIRECTORY, size=5),
        Entry(b"etc", b"x", EntryType.FIFO, digest=DIGEST),
        Entry(b"etc", b"x", EntryType.SYMLINK, target=b"nul\0"),
    ],
)
def test_an_entry_that_contradicts_itself_is_refused(file: Path, entry: Entry) -> None:
    refuse(keeping.write_index(file, {2: [*PLAIN, entry]}))


def test_a_root_that_is_no_directory_is_refused(file: Path) -> None:
    root = Entry(b"", b"", EntryType.FIFO)

    assert "the root is no directory" in refuse(keeping.write_index(file, {2: [root]}))


def test_a_part_without_a_root_is_refused(file: Path) -> None:
    assert "no listed directory" in refuse(keeping.write_index(file, {2: [FSTAB]}))


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE VIEW v AS SELECT 1",
        "CREATE TRIGGER t AFTER INSERT ON entry BEGIN SELECT 1; END",
        "CREATE TABLE more (a)",
        "CREATE INDEX i ON entry (abs(size))",
        "ALTER TABLE entry ADD COLUMN g GENERATED ALWAYS AS (size * 2)",
        "PRAGMA user_version = 2",
        "PRAGMA application_id = 7",
        "DROP INDEX entry_inode",
    ],
)
def test_a_schema_with_more_or_less_in_it_is_refused(file: Path, statement: str) -> None:
    refuse(altered(file, statement))


def test_a_view_in_the_place_of_the_table_is_refused(file: Path) -> None:
    with sqlite3.connect(file) as db:
        db.execute(f"PRAGMA application_id = {index_schema.APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {index_schema.VERSION}")
        db.execute("CREATE VIEW entry AS SELECT 1 AS part")
    db.close()

    refuse(file)


def test_rows_that_are_not_in_the_order_of_their_key_are_refused(file: Path) -> None:
    """The file is built for a descending key, and then claims our schema."""
    keeping.write_index(file, {2: [ROOT, ETC]})
    with sqlite3.connect(file) as db:
        (schema,) = db.execute("SELECT sql FROM sqlite_master WHERE name = 'entry'").fetchone()
        rows = list(db.execute("SELECT * FROM entry"))
        extra = [statement for (statement,) in db.execute(
            "SELECT sql FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL")]  # fmt: skip
        db.execute("DROP TABLE entry")
        db.execute(schema.replace("directory, name))", "directory, name DESC))"))
        marks = ", ".join("?" * len(rows[0]))
        db.executemany(f"INSERT INTO entry VALUES ({marks})", rows)  # noqa: S608
        for statement in extra:
            db.execute(statement)
        db.execute("PRAGMA writable_schema = ON")
        db.execute("UPDATE sqlite_master SET sql = ? WHERE name = 'entry'", (schema,))
        db.commit()
    db.close()

    refuse(file)


@pytest.mark.parametrize("content", [b"", b"SQLite format 3\0", b"\0" * 4096, b"hello" * 1000])
def test_what_is_no_sqlite_file_is_refused(file: Path, content: bytes) -> None:
    file.write_bytes(content)

    refuse(file)


def test_an_own_index_that_is_damaged_cannot_be_updated(file: Path) -> None:
    file.write_bytes(b"hello" * 1000)

    with pytest.raises(VerificationError, match="not a sound index"), index_file.updated(file):
        pytest.fail("it was opened")


def test_s20_an_index_above_the_limit_is_not_opened(file: Path) -> None:
    with file.open("wb") as sparse:
        sparse.truncate(index_schema.SIZE_MAX + 1)

    assert "larger than an index may be" in refuse(file)


def test_bytes_cut_off_at_any_page_are_noticed(file: Path) -> None:
    many = [Entry(b"etc", b"%04d" % n, EntryType.FIFO) for n in range(500)]
    content = keeping.write_index(file, {2: [ROOT, ETC, *many]}).read_bytes()

    for length in range(0, len(content) - 1, 2048):
        file.write_bytes(content[:length])
        refuse(file)


@functools.cache
def _sound() -> bytes:
    many = [Entry(b"etc", b"%04d" % n, EntryType.FIFO) for n in range(60)]
    return keeping.index_bytes({2: [ROOT, ETC, *many]})


@given(position=st.integers(0, 1 << 30), value=st.integers(0, 255))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_byte_changed_is_sound_or_refused_and_never_anything_else(
    file: Path, position: int, value: int
) -> None:
    content = bytearray(_sound())
    content[position % len(content)] = value
    file.write_bytes(content)

    try:
        index_check.check(file)
    except SecurityError:
        return
    with index_file.opened(file) as index:
        assert list(index.entries(2))


ACL = bytes.fromhex(
    "0200000001000600ffffffff02000600e803000004000400ffffffff"
    "10000600ffffffff20000000ffffffff"
)  # fmt: skip
"""Measured: setfacl -m u:1000:rw on a file of mode 0640 (linux/posix_acl_xattr.h)."""
CAPABILITY = bytes.fromhex("0100000200200000000000000000000000000000")
"""Measured: cap_net_raw+ep (linux/capability.h, revision 2)."""
CAPABILITY_3 = bytes.fromhex("0100000300200000000000000000000000000000e8030000")
"""Measured: cap_net_raw+ep with rootid 1000 (revision 3)."""


@pytest.mark.parametrize(
    "xattrs",
    [
        {"security.capability": CAPABILITY},
        {"security.capability": CAPABILITY_3},
        {"system.posix_acl_access": ACL},
        {"user.note": b"", "trusted.overlay.opaque": b"y"},
        {"user.n": bytes(64 << 10)},
        {"btrfs.compression": b"zstd"},
        {"btrfs.compression": b"zlib:9"},
        {"btrfs.compression": b"none"},
    ],
)
def test_s31_attributes_that_the_kernel_made_are_taken(xattrs: dict[str, bytes]) -> None:
    attributes.check(xattrs)


@pytest.mark.parametrize(
    "xattrs",
    [
        {"security.capability": CAPABILITY[:-1]},
        {"security.capability": b"\x01\x00\x00\x09" + CAPABILITY[4:]},
        {"security.capability": b""},
        {"system.posix_acl_access": ACL[:-1]},
        {"system.posix_acl_access": b"\x03" + ACL[1:]},
        {"system.posix_acl_default": ACL[:4] + b"\x03\x00" + ACL[6:]},
        {"system.nfs4_acl": b"x"},
        {"system.anything": b"x"},
        {"nothing": b"x"},
        {"btrfs.compression": b"rot13"},
        {"btrfs.other": b"zstd"},
        {"user." + "n" * 300: b"x"},
        {"user.n": bytes((64 << 10) + 1)},
        {"user.nul\0": b"x"},
    ],
)
def test_s31_attributes_of_another_form_are_refused(xattrs: dict[str, bytes]) -> None:
    with pytest.raises(SecurityError):
        attributes.check(xattrs)


def test_s31_an_index_with_such_attributes_is_refused(file: Path) -> None:
    odd = FSTAB._replace(xattrs={"system.anything": b"x"})

    assert "system.anything" in refuse(keeping.write_index(file, {2: [ROOT, ETC, odd]}))


def test_s25_names_that_look_alike_are_two_names(file: Path) -> None:
    alike = ["\u00e9".encode(), "e\u0301".encode(), b"A", b"a"]
    entries = [Entry(b"", name, EntryType.FIFO) for name in alike]

    index_check.check(keeping.write_index(file, {2: [ROOT, *entries]}))

    assert paths.check_name(alike[0]) != paths.check_name(alike[1])


def test_what_sqlite_itself_finds_wrong_is_refused_though_every_row_can_be_read(
    file: Path,
) -> None:
    """sqlite.org/fileformat2.html, 1.3: the number of free pages is at byte 36."""
    content = bytearray(keeping.write_index(file, {2: PLAIN}).read_bytes())
    assert content[36:40] == bytes(4)
    content[39] = 5
    file.write_bytes(content)
    with index_file.opened(file) as index:
        assert list(index.entries(2)) == PLAIN

    assert "not a sound SQLite file" in refuse(file)


LINKED = Entry(b"", b"x", EntryType.FILE, size=5, digest=DIGEST, link=7)


@pytest.mark.parametrize(
    "odd",
    [
        LINKED._replace(name=b"y", target=b"x"),
        LINKED._replace(name=b"y", rdev=9),
        LINKED._replace(name=b"y", mode=0o4711),
        LINKED._replace(name=b"y", digest=b""),
        LINKED._replace(name=b"y", size=0),
    ],
)
def test_s27_the_later_of_two_links_may_be_the_odd_one_in_any_part(file: Path, odd: Entry) -> None:
    with index_file.created(file) as index:
        index.put_all(1, PLAIN, seq=1)
        index.put_all(5, [ROOT, LINKED, odd], seq=1)

    with (
        index_file.opened(file) as index,
        pytest.raises(SecurityError, match="part 5: link group 7"),
    ):
        index.check_links()
