import os

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import SecurityError
from holdstill.model.protocol import CaptureBrief
from holdstill.offsite import head, keeper_heads
from holdstill.offsite.head import (
    AwayCapture,
    LedgerPart,
    OpenPart,
    PackObject,
    PackRows,
    SealedPart,
    SentCapture,
)
from holdstill.offsite.pack_format import Row

KEY = bytes(range(32))
TOLD = OpenPart(
    number=7,
    keeper="0123456789abcdef",
    previous="ab" * 32,
    at="2026-11-30T02:15:00Z",
    came=(PackObject(name="cd" * 32, size=1234),),
    went=("ef" * 32,),
)
SEALED = SealedPart(
    packs=(PackRows(name="cd" * 32, sealed_key=b"k" * 80, rows=b"r" * 48),),
    captures=(
        SentCapture(
            board="pier-3",
            brief=CaptureBrief(
                name="000001-20261130T021500Z", seq=1, manifest="", index="", grade="",
                taken_at="",
            ),
            documents=(b"1" * 32, b"2" * 32, b"3" * 32),
        ),
    ),
    ledgers=(LedgerPart(board="pier-3", offset=0, length=10, digest=b"4" * 32),),
    released=(("pier-3", "000000-20261129T021500Z"),),
)  # fmt: skip


def test_a_head_comes_back_with_its_key_and_half_of_it_without() -> None:
    data = head.encode(TOLD, SEALED, KEY)

    assert head.decode(data, KEY) == (TOLD, SEALED, head.digest(data))
    assert head.open_part(data) == TOLD
    assert b"pier-3" not in data


@given(st.integers(0, 10_000), st.integers(1, 255))
def test_a_changed_byte_is_never_taken(place: int, change: int) -> None:
    data = bytearray(head.encode(TOLD, SEALED, KEY))
    data[place % len(data)] ^= change

    with pytest.raises(SecurityError):
        head.decode(bytes(data), KEY)


def test_another_key_opens_none() -> None:
    with pytest.raises(SecurityError, match="another key"):
        head.decode(head.encode(TOLD, SEALED, KEY), os.urandom(32))


def test_the_open_part_of_one_head_does_not_go_with_the_sealed_part_of_another() -> None:
    data = head.encode(TOLD, SEALED, KEY)
    other = data.replace(b'"number":7', b'"number":8')

    assert head.open_part(other).number == 8
    with pytest.raises(SecurityError):
        head.decode(other, KEY)


@given(st.binary(max_size=300))
def test_anything_for_a_head_is_refused_in_words(data: bytes) -> None:
    with pytest.raises(SecurityError):
        head.open_part(data)
    with pytest.raises(SecurityError):
        head.decode(b"holdstill head\0\0\0\0\0\1" + data, KEY)


FAR = 1 << 63
"""More than a signed number of 64 bits holds."""


def _rows(rows: bytes) -> SealedPart:
    return SealedPart(packs=(PackRows(name="cd" * 32, sealed_key=b"k" * 80, rows=rows),))


def _capture(**changed: object) -> SealedPart:
    (real,) = SEALED.captures
    return SealedPart(captures=(msgspec.structs.replace(real, **changed),))


@pytest.mark.parametrize(
    "sealed",
    [
        _rows(b"r" * 47),
        _rows(Row(bytes(32), FAR, 1, 0).encode()),
        _rows(Row(bytes(32), FAR - 1, 1, 0).encode()),
        SealedPart(packs=(PackRows(name="../cd", sealed_key=b"", rows=b""),)),
        SealedPart(ledgers=(LedgerPart(board="b", offset=FAR, length=1, digest=bytes(32)),)),
        SealedPart(ledgers=(LedgerPart(board="b", offset=-1, length=1, digest=bytes(32)),)),
        SealedPart(ledgers=(LedgerPart(board="b", offset=0, length=FAR, digest=bytes(32)),)),
        SealedPart(ledgers=(LedgerPart(board="b", offset=0, length=1, digest=bytes(31)),)),
        _capture(documents=(bytes(32), bytes(32), b"")),
        _capture(brief=msgspec.structs.replace(SEALED.captures[0].brief, seq=FAR)),
        SealedPart(
            away=(
                AwayCapture(board="b", brief=SEALED.captures[0].brief, packs=("a pack",)),
            )
        ),
    ],
)  # fmt: skip
def test_who_has_the_key_cannot_make_a_head_that_nobody_can_take(sealed: SealedPart) -> None:
    """Its lock would keep it there, and all that is off-site would be unreadable for so long."""
    with pytest.raises(SecurityError):
        head.decode(head.encode(TOLD, sealed, KEY), KEY)


@pytest.mark.parametrize(
    "changed",
    [
        {"number": FAR}, {"number": -1}, {"merges": 8}, {"merges": -1}, {"went": ("ef",)},
        {"came": (PackObject(name="CD" * 32, size=1),)},
        {"came": (PackObject(name="cd" * 32, size=FAR),)},
        {"came": (PackObject(name="cd" * 32, size=-1),)},
    ],
)  # fmt: skip
def test_an_open_part_that_nobody_can_take_is_refused(changed: dict[str, object]) -> None:
    data = head.encode(msgspec.structs.replace(TOLD, **changed), SEALED, KEY)

    with pytest.raises(SecurityError):
        head.open_part(data)
    with pytest.raises(SecurityError):
        head.decode(data, KEY)


@given(
    st.lists(st.tuples(st.integers(1, 40), st.integers(0, 9)), max_size=4),
    st.lists(st.tuples(st.integers(1, 40), st.integers(0, 9)), max_size=4),
)
def test_what_no_head_tells_again_is_missing(
    lost: list[tuple[int, int]], again: list[tuple[int, int]]
) -> None:
    gaps = [range(first, first + length) for first, length in lost]
    told = [range(first, first + length) for first, length in again]

    found = list(keeper_heads.lacking(gaps, told))

    expected = {n for gap in gaps for n in gap} - {n for one in told for n in one}
    assert {n for one in found for n in one} == expected
    assert all(found)


def test_a_head_of_a_number_far_off_costs_nothing() -> None:
    """A set of all numbers up to there would take the memory of the machine."""
    far = msgspec.structs.replace(TOLD, number=9_999_999_999, merges=5)

    left = list(keeper_heads.lacking([range(1, far.number)], keeper_heads.merged([far])))

    assert left == [range(1, 5)]
    assert keeper_heads.in_words(left[0]) == ("head 1", "head 2", "head 3", "head 4")
    assert keeper_heads.in_words(range(5, far.number)) == ("heads 5 to 9999999998",)
