from __future__ import annotations

import hashlib
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.board import inode_table_detector
from holdstill.board.change_detection import ChangedInodes, EverythingMayHaveChanged
from holdstill.board.ctime_window import CtimeWindow
from holdstill.board.inode_table_detector import Baseline
from holdstill.errors import VerificationError
from holdstill.model.entries import Seen

WORDS = st.lists(st.integers(0, 3), max_size=300)


def packed(words: list[int]) -> bytes:
    return b"".join(word.to_bytes(4, "little") for word in words)


def baseline() -> Baseline:
    return Baseline(
        identity=("3e6be9de-8139-11d1-9106-a43f08d823a6", "256", "8192"),
        seconds={1: bytes(range(40)), 8193: b"\1\2\3\4"},
        fractions={1: bytes(40), 8193: b"\0\0\0\0"},
        suspects=frozenset({12, 8193}),
    )


@given(WORDS, WORDS)
def test_words_that_differ_are_all_found_and_no_others(old: list[int], new: list[int]) -> None:
    expected = [at for at, word in enumerate(new) if old[at : at + 1] != [word]]

    assert list(inode_table_detector.differing_words(packed(old), packed(new))) == expected


@given(st.integers(0, 5000), st.integers(0, 5000))
def test_one_word_is_found_among_many(length: int, at: int) -> None:
    old = packed([7] * length)
    new = bytearray(old)
    new[at * 4 : at * 4 + 4] = b"\1\1\1\1"[: max(0, min(4, length * 4 - at * 4))]

    found = list(inode_table_detector.differing_words(old, bytes(new)[: length * 4]))

    assert found == ([at] if at < length else [])


def test_a_baseline_survives_being_remembered() -> None:
    data = inode_table_detector.encode(baseline(), bound_to="index 7")

    assert inode_table_detector.decode(data, bound_to="index 7") == baseline()


def test_a_baseline_of_another_index_is_refused() -> None:
    data = inode_table_detector.encode(baseline(), bound_to="index 7")

    with pytest.raises(VerificationError, match="another index"):
        inode_table_detector.decode(data, bound_to="index 8")


@given(st.data())
def test_a_damaged_baseline_is_refused(data: st.DataObject) -> None:
    good = inode_table_detector.encode(baseline(), bound_to="x")
    at = data.draw(st.integers(0, len(good) - 1))
    bad = bytearray(good)
    bad[at] ^= data.draw(st.integers(1, 255))

    with pytest.raises(VerificationError):
        inode_table_detector.decode(bytes(bad), bound_to="x")


@given(st.binary(max_size=200))
def test_what_is_no_baseline_is_refused(junk: bytes) -> None:
    for data in (junk, hashlib.sha256(junk).digest() + junk):
        with pytest.raises(VerificationError):
            inode_table_detector.decode(data, bound_to="x")


def test_a_cut_off_baseline_is_refused_even_if_its_checksum_fits() -> None:
    body = inode_table_detector.encode(baseline(), bound_to="x")[32:]
    short = zlib.compress(zlib.decompress(body)[:-5])

    with pytest.raises(VerificationError):
        inode_table_detector.decode(hashlib.sha256(short).digest() + short, bound_to="x")


def test_contents_of_unchanged_inodes_are_trusted_and_of_changed_ones_not() -> None:
    changes = ChangedInodes(frozenset({12}))

    assert changes.trusts(Seen(13, 5, 1))
    assert not changes.trusts(Seen(12, 5, 1))
    assert not changes.trusts(Seen(0, 5, 1))


def test_a_number_that_is_none_proves_nothing() -> None:
    changes = ChangedInodes(frozenset({0}), by_ctime=frozenset({0}), recent=CtimeWindow(0, 0))

    assert not changes.trusts(Seen(0, 5, 1))


def test_without_an_earlier_look_no_content_is_trusted() -> None:
    changes = EverythingMayHaveChanged("first", None)

    assert not changes.trusts(Seen(13, 5, 1))


def test_without_a_detector_recent_and_doubted_contents_are_not_trusted() -> None:
    changes = EverythingMayHaveChanged("restat", CtimeWindow(101, 200), frozenset({9}))

    assert changes.trusts(Seen(13, 50_000_001, 1))
    assert not changes.trusts(Seen(13, 150, 1))
    assert not changes.trusts(Seen(9, 50_000_001, 1))


# An inode that is among those that changed may be taken for unchanged by its ctime alone, and
# only where nothing but its ctime made it one of these.
@pytest.mark.parametrize(
    ("inode", "ctime", "recent", "is_trusted"),
    [
        (5, 10, CtimeWindow(100, 200), True),  # it is not among them
        (5, 150, None, True),
        (0, 10, CtimeWindow(100, 200), False),  # seen only from above
        (7, 10, CtimeWindow(100, 200), False),  # it is known to have changed
        (7, 10, None, False),
        (8, 10, CtimeWindow(100, 200), True),
        (8, 150, CtimeWindow(100, 200), False),
        (8, 10, None, False),
    ],
)
def test_what_changed_is_trusted_by_a_ctime_that_is_a_proof_alone(
    inode: int, ctime: int, recent: CtimeWindow | None, *, is_trusted: bool
) -> None:
    changes = ChangedInodes(frozenset({7, 8}), by_ctime=frozenset({8}), recent=recent)

    assert changes.trusts(Seen(inode, ctime)) is is_trusted


@pytest.mark.parametrize(
    ("inode", "ctime", "recent", "is_trusted"),
    [
        (5, 10, CtimeWindow(100, 200), True),
        (5, 150, CtimeWindow(100, 200), False),
        (7, 10, CtimeWindow(100, 200), False),
        (5, 10, None, False),
    ],
)
def test_where_everything_may_have_changed_a_ctime_is_a_proof_of_what_nobody_doubts(
    inode: int, ctime: int, recent: CtimeWindow | None, *, is_trusted: bool
) -> None:
    changes = EverythingMayHaveChanged("new", recent, doubted=frozenset({7}))

    assert changes.trusts(Seen(inode, ctime)) is is_trusted
