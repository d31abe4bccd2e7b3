"""A small head cannot take the memory of who reads it, and none that is put is refused."""

import tracemalloc
import zlib

import msgspec
import pytest
from nacl import bindings

from holdstill.errors import SecurityError
from holdstill.model.protocol import CaptureBrief
from holdstill.offsite import head, head_limits, split_head
from holdstill.offsite.head import (
    AwayCapture,
    LedgerPart,
    OpenPart,
    PackRows,
    SealedPart,
    SentCapture,
)

KEY = bytes(range(32))
TOLD = OpenPart(number=7, keeper="0123456789abcdef", previous="", at="")
BRIEF = CaptureBrief(
    name="000001-20261130T021500Z", seq=1, manifest="", index="", grade="", taken_at=""
)
CAPTURE = SentCapture(board="pier-3", brief=BRIEF, documents=(bytes(32),) * 3)
AWAY = AwayCapture(board="pier-3", brief=BRIEF, packs=("ab" * 32,))
PART = LedgerPart(board="pier-3", offset=0, length=1, digest=bytes(32))
FAULTS = msgspec.structs.replace(BRIEF, faults=("no",) * 8_000_000)


def with_sealed(packed: bytes) -> bytes:
    """Return a head whose sealed part is this, made with the key."""
    begin = head.encode(TOLD, SealedPart(), KEY)
    begin = begin[
        : len(begin) - 24 - 16 - len(zlib.compress(msgspec.msgpack.encode(SealedPart())))
    ]
    nonce = bytes(24)
    sealed = bindings.crypto_aead_xchacha20poly1305_ietf_encrypt(packed, begin, nonce, KEY)
    return begin + nonce + sealed


@pytest.mark.parametrize(
    "sealed",
    [
        SealedPart(released=(("", ""),) * 8_000_000),
        SealedPart(captures=(CAPTURE,) * 50_000),
        SealedPart(captures=(msgspec.structs.replace(CAPTURE, brief=FAULTS),)),
        SealedPart(away=(AWAY,) * 60_000),
        SealedPart(ledgers=(PART,) * 100_001),
        SealedPart(packs=(PackRows(name="ab" * 32, sealed_key=b"", rows=bytes(48 << 20)),)),
    ],
    ids=["released", "captures", "faults", "away", "ledgers", "rows"],
)
def test_a_small_head_that_unpacks_to_much_is_refused_before_it_is_read(
    sealed: SealedPart,
) -> None:
    data = with_sealed(zlib.compress(msgspec.msgpack.encode(sealed)))
    assert len(data) < 2 << 20
    tracemalloc.start()

    try:
        with pytest.raises(SecurityError, match=r"heads do|too large|cannot be read"):
            head.decode(data, KEY)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()

    assert peak < 4 * head_limits.BYTES


def test_whose_a_head_is_is_known_before_it_is_unpacked() -> None:
    data = with_sealed(b"no stream of zlib")

    assert head.sealed_by(data, KEY) == TOLD
    with pytest.raises(SecurityError, match="cannot be read"):
        head.decode(data, KEY)
    with pytest.raises(SecurityError, match="another key"):
        head.sealed_by(data, bytes(32))


def test_an_open_part_has_its_limit() -> None:
    told = msgspec.structs.replace(TOLD, went=("ab" * 32,) * 70_000)

    with pytest.raises(SecurityError, match="open part is too large"):
        head.open_part(head.encode(told, SealedPart(), KEY))


def test_what_is_too_much_for_one_head_goes_into_several_packs_first() -> None:
    rows = bytes(48 * 100_000)
    packs = tuple(
        PackRows(name=f"{number:064}", sealed_key=b"k" * 80, rows=rows) for number in range(9)
    )
    sealed = SealedPart(
        packs=packs, captures=(CAPTURE,) * 30_000, ledgers=(PART,) * 120_000, away=(AWAY,) * 9,
        released=(("pier-3", "x"),) * 120_000,
    )  # fmt: skip

    parts = [*split_head.split(sealed)]

    read = [head.decode(head.encode(TOLD, part, KEY), KEY).sealed for part in parts]
    for name in ("packs", "captures", "ledgers", "released", "away"):
        told = tuple(one for part in read for one in getattr(part, name))
        assert told == getattr(sealed, name)
    order = [bool(part.packs) for part in read]
    assert order == sorted(order, reverse=True)


def test_what_fits_is_told_at_once() -> None:
    sealed = SealedPart(captures=(CAPTURE,) * 1000, ledgers=(PART,))

    assert [*split_head.split(sealed)] == [sealed]
