import os

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import SecurityError
from holdstill.model.protocol import CaptureBrief
from holdstill.offsite import head
from holdstill.offsite.head import (
    LedgerPart,
    OpenPart,
    PackObject,
    PackRows,
    SealedPart,
    SentCapture,
)

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
