"""Comparing streams of entries: the judge of every copy."""

from __future__ import annotations

import stat

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.model import entries
from holdstill.model.entries import Difference, Entry, EntryType, Seen, Xflags

NAMES = st.binary(min_size=1, max_size=2).filter(lambda n: b"/" not in n and b"\0" not in n)
ENTRIES = st.builds(
    Entry,
    directory=st.sampled_from([b"", b"a", b"a-b", b"a/b"]),
    name=NAMES,
    type=st.sampled_from(EntryType),
    mode=st.integers(0, 0o7777),
    uid=st.integers(0, 2**32 - 2),
    size=st.integers(0, 9),
    mtime_ns=st.integers(-(2**70), 2**70),
    link=st.integers(0, 2),
    digest=st.sampled_from([b"", b"1" * 32]),
    xattrs=st.dictionaries(st.sampled_from(["user.a", "user.b"]), st.binary(max_size=2)),
)
STREAMS = st.lists(ENTRIES, max_size=12, unique_by=entries.key).map(
    lambda found: sorted(found, key=entries.key)
)


def differences(wanted: list[Entry], found: list[Entry]) -> list[Difference]:
    return list(entries.differences(wanted, found))


@given(stream=STREAMS)
def test_a_stream_does_not_differ_from_itself(stream: list[Entry]) -> None:
    assert differences(stream, stream) == []


@given(one=STREAMS, other=STREAMS)
def test_both_ways_the_same_paths_differ(one: list[Entry], other: list[Entry]) -> None:
    there = {(d.path, d.field) for d in differences(one, other)}
    back = {(d.path, d.field) for d in differences(other, one)}

    assert there == back


@given(one=STREAMS, other=STREAMS)
def test_no_difference_means_equal_in_all_that_is_compared(
    one: list[Entry], other: list[Entry]
) -> None:
    same = [[getattr(e, f) for f in entries.COMPARED] for e in one] == [
        [getattr(e, f) for f in entries.COMPARED] for e in other
    ]
    keys = [entries.key(e) for e in one] == [entries.key(e) for e in other]

    if not differences(one, other):
        assert same
        assert keys


FILE = Entry(b"d", b"f", EntryType.FILE, mode=0o644, size=3, mtime_ns=7, digest=b"x" * 32)


@pytest.mark.parametrize(
    ("field", "changed"),
    [
        ("type", FILE._replace(type=EntryType.FIFO)),
        ("mode", FILE._replace(mode=0o4644)),
        ("uid", FILE._replace(uid=1)),
        ("gid", FILE._replace(gid=1)),
        ("size", FILE._replace(size=4)),
        ("mtime_ns", FILE._replace(mtime_ns=8)),
        ("rdev", FILE._replace(rdev=1)),
        ("flags", FILE._replace(flags=0x10)),
        ("target", FILE._replace(target=b"t")),
        ("digest", FILE._replace(digest=b"y" * 32)),
        ("xattrs", FILE._replace(xattrs={"user.a": b""})),
        ("project", FILE._replace(project=1)),
        ("xflags", FILE._replace(xflags=Xflags(0x800, 65536, 0))),
    ],
)
def test_one_changed_field_is_one_difference(field: str, changed: Entry) -> None:
    (found,) = differences([FILE], [changed])

    assert found == Difference(b"d/f", field, getattr(FILE, field), getattr(changed, field))


@pytest.mark.parametrize(
    "changed",
    [FILE._replace(sparse=1), FILE._replace(seen=Seen(9, 9, 9)), FILE._replace(link=5)],
)
def test_hints_are_not_compared(changed: Entry) -> None:
    assert differences([FILE], [changed]) == []


def test_missing_and_strange_entries_are_told_apart() -> None:
    other = FILE._replace(name=b"g")

    assert differences([FILE], []) == [Difference(b"d/f", "entry", "present", "missing")]
    assert differences([], [FILE]) == [Difference(b"d/f", "entry", "absent", "present")]
    assert differences([FILE], [other]) == [
        Difference(b"d/f", "entry", "present", "missing"),
        Difference(b"d/g", "entry", "absent", "present"),
    ]


def linked(name: bytes, link: int) -> Entry:
    return FILE._replace(name=name, link=link)


def test_link_groups_are_known_by_their_paths_not_by_their_numbers() -> None:
    one = [linked(b"a", 7), linked(b"b", 7), linked(b"c", 0)]
    other = [linked(b"a", 901), linked(b"b", 901), linked(b"c", 0)]

    assert differences(one, other) == []


@pytest.mark.parametrize(
    ("links", "path"), [((7, 0, 0), b"d/b"), ((7, 8, 0), b"d/b"), ((7, 7, 7), b"d/c")]
)
def test_s27_a_link_group_that_was_torn_or_grew_is_a_difference(
    links: tuple[int, int, int], path: bytes
) -> None:
    wanted = [linked(b"a", 7), linked(b"b", 7), linked(b"c", 0)]
    found = [linked(name, link) for name, link in zip((b"a", b"b", b"c"), links, strict=True)]

    (difference,) = differences(wanted, found)

    assert (difference.path, difference.field) == (path, "link")


def test_types_follow_the_mode_and_back() -> None:
    for kind in EntryType:
        assert EntryType.of_mode(kind.format_bits | 0o644) is kind
    assert EntryType.of_mode(stat.S_IFLNK | 0o777) is EntryType.SYMLINK
    with pytest.raises(KeyError):
        EntryType.of_mode(0o644)


# Linux Documentation/filesystems/ext4/directory.rst, file types of a directory entry.
def test_types_have_the_numbers_of_ext4() -> None:
    assert [(kind.name, kind.value) for kind in EntryType] == [
        ("FILE", 1), ("DIRECTORY", 2), ("CHARACTER", 3), ("BLOCK", 4), ("FIFO", 5),
        ("SOCKET", 6), ("SYMLINK", 7),
    ]  # fmt: skip
