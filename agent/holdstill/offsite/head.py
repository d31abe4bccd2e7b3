r"""Heads: what a keeper has sent, told in numbered objects, none of which is ever overwritten.

    magic "holdstill head\0\0" (16 bytes), version (u32), length of the open part (u32)
    open part, JSON: number, keeper, digest of the head before, objects that came or went
    nonce (24 bytes), sealed part: XChaCha20-Poly1305, all before the nonce as associated data

The open part lets anybody check that all objects are there, without a key. The sealed part,
MessagePack in zlib, is sealed with the key of heads, which the keeper has as well; nobody can make
one who has not that key. Numbers are big-endian.
"""

from __future__ import annotations

import hashlib
import os
import re
import struct
import zlib
from typing import TYPE_CHECKING, NamedTuple

import msgspec
from nacl import bindings
from nacl.exceptions import CryptoError

from holdstill.errors import SecurityError
from holdstill.model.layout import Record
from holdstill.model.protocol import CaptureBrief
from holdstill.offsite import head_limits, pack_format

if TYPE_CHECKING:
    from collections.abc import Iterable

_MAGIC, _VERSION = b"holdstill head\0\0", 1
_HEADER = struct.Struct(">16sII")
_NONCE = bindings.crypto_aead_xchacha20poly1305_ietf_NPUBBYTES
_PACK_NAME = re.compile(r"[0-9a-f]{64}")
_DIGEST = 32
_END = 1 << 63
"""What no offset, size or number reaches: they are kept in signed 64 bits."""


class OtherKeyError(SecurityError):
    """A head of good form that was altered, or sealed with another key."""


class PackObject(Record, frozen=True, kw_only=True):
    """A pack as anybody may know it: its name is the SHA-256 of its bytes."""

    name: str
    size: int


class OpenPart(Record, frozen=True, kw_only=True):
    """What anybody can read of a head.

    Attributes:
        number: of the head, from 1 on.
        keeper: whose it is.
        previous: SHA-256 of the head before, "" for the first.
        at: when it was made (RFC 3339), by the server's clock.
        came: packs that this head is the first to know.
        went: names of packs that no capture needed any more, and that were let go.
        merges: number of the first of the heads before it of which it tells all again, up to
            itself: these may be gone; 0 for none.
    """

    number: int
    keeper: str
    previous: str
    at: str
    came: tuple[PackObject, ...] = ()
    went: tuple[str, ...] = ()
    merges: int = 0


class PackRows(Record, frozen=True, kw_only=True):
    """What is in a pack.

    Attributes:
        sealed_key: the pack's key, sealed for the owner.
        rows: of its contents, packed.
        is_foreign: whether another keeper has made it: what its rows say nobody has tried.
    """

    name: str
    sealed_key: bytes
    rows: bytes
    is_foreign: bool = False


class SentCapture(Record, frozen=True, kw_only=True):
    """A capture all of whose contents are off-site.

    Attributes:
        brief: what the keeper knew of it.
        documents: SHA-256 of its manifest, its signature and the board's enrolment, all of which
            are contents of packs.
    """

    board: str
    brief: CaptureBrief
    documents: tuple[bytes, bytes, bytes]


class LedgerPart(Record, frozen=True, kw_only=True):
    """Some lines of a board's ledger, as a content: where they begin in it, and their SHA-256."""

    board: str
    offset: int
    length: int
    digest: bytes


class AwayCapture(Record, frozen=True, kw_only=True):
    """A capture that has left the keeper: it is off-site alone, in these packs."""

    board: str
    brief: CaptureBrief
    packs: tuple[str, ...]


class SealedPart(Record, frozen=True, kw_only=True):
    """What a head tells who has its key.

    Attributes:
        released: (board, capture) that retention has given up since; their packs may go.
        away: that have left the keeper, and are needed.
    """

    packs: tuple[PackRows, ...] = ()
    captures: tuple[SentCapture, ...] = ()
    ledgers: tuple[LedgerPart, ...] = ()
    released: tuple[tuple[str, str], ...] = ()
    away: tuple[AwayCapture, ...] = ()


class Head(NamedTuple):
    """A head as read."""

    open: OpenPart
    sealed: SealedPart
    digest: str


def encode(open_part: OpenPart, sealed: SealedPart, key: bytes) -> bytes:
    """Return the bytes of a head."""
    told = msgspec.json.encode(open_part)
    begin = _HEADER.pack(_MAGIC, _VERSION, len(told)) + told
    nonce = os.urandom(_NONCE)
    plain = zlib.compress(msgspec.msgpack.encode(sealed))
    return (
        begin
        + nonce
        + bindings.crypto_aead_xchacha20poly1305_ietf_encrypt(plain, begin, nonce, key)
    )


def digest(data: bytes) -> str:
    """Return the SHA-256 by which the next head names this one."""
    return hashlib.sha256(data).hexdigest()


def open_part(data: bytes) -> OpenPart:
    """Read what anybody can read of a head.

    Raises:
        SecurityError: it is no head.
    """
    return _halves(data)[0]


def decode(data: bytes, key: bytes) -> Head:
    """Read a head. What comes back can be relied on to be of sound form, whoever made it.

    Raises:
        SecurityError: it is no head, or not one that was made with this key.
    """
    told, plain = _unsealed(data, key)
    try:
        unpacker = zlib.decompressobj()
        packed = unpacker.decompress(plain, head_limits.BYTES)
        if not unpacker.eof:
            raise SecurityError("its sealed part is too large")
        head_limits.check(packed)
        sealed = msgspec.msgpack.decode(packed, type=SealedPart)
    except (zlib.error, msgspec.MsgspecError) as error:
        raise SecurityError(f"its sealed part cannot be read: {error}") from error
    _check_sealed(sealed)
    return Head(told, sealed, digest(data))


def sealed_by(data: bytes, key: bytes) -> OpenPart:
    """Read the open part of a head that was made with this key; nothing is unpacked.

    Raises:
        SecurityError: it is no head, or not one that was made with this key.
    """
    return _unsealed(data, key)[0]


def _unsealed(data: bytes, key: bytes) -> tuple[OpenPart, bytes]:
    told, begin, rest = _halves(data)
    try:
        plain = bindings.crypto_aead_xchacha20poly1305_ietf_decrypt(
            rest[_NONCE:], begin, rest[:_NONCE], key
        )
    except (CryptoError, ValueError) as error:
        raise OtherKeyError("it was altered, or sealed with another key") from error
    return told, plain


def _halves(data: bytes) -> tuple[OpenPart, bytes, bytes]:
    try:
        magic, version, length = _HEADER.unpack_from(data)
    except struct.error as error:
        raise SecurityError("too short for a head") from error
    if (magic, version) != (_MAGIC, _VERSION):
        raise SecurityError(f"not a head of version {_VERSION}")
    if length > head_limits.OPEN_BYTES:
        raise SecurityError("its open part is too large")
    end = _HEADER.size + length
    if end + _NONCE > len(data):
        raise SecurityError("it is cut short")
    try:
        told = msgspec.json.decode(data[_HEADER.size : end], type=OpenPart)
    except msgspec.MsgspecError as error:
        raise SecurityError(f"its open part cannot be read: {error}") from error
    _check_open(told)
    return told, data[:end], data[end:]


def _check_open(told: OpenPart) -> None:
    _check_names((*(pack.name for pack in told.came), *told.went))
    _check_numbers((told.number, *(pack.size for pack in told.came)))
    if not 0 <= told.merges <= told.number:
        raise SecurityError(f"it says that it merges heads from {told.merges} on")


def _check_sealed(sealed: SealedPart) -> None:
    for pack in sealed.packs:
        if any(row.offset + row.length >= _END for row in pack_format.rows_of(pack.rows)):
            raise SecurityError(f"it tells of contents behind every end, in pack {pack.name[:80]}")
    _check_names(pack.name for pack in sealed.packs)
    _check_names(name for one in sealed.away for name in one.packs)
    _check_numbers(one.brief.seq for one in sealed.captures)
    _check_numbers(one.brief.seq for one in sealed.away)
    _check_numbers(n for part in sealed.ledgers for n in (part.offset, part.length))
    digests = [document for one in sealed.captures for document in one.documents]
    digests += [part.digest for part in sealed.ledgers]
    if any(len(one) != _DIGEST for one in digests):
        raise SecurityError("a digest in it has another length")


def _check_names(names: Iterable[str]) -> None:
    for name in names:
        if not _PACK_NAME.fullmatch(name):
            raise SecurityError(f"it names a pack {name[:80]!r}, as none is named")


def _check_numbers(numbers: Iterable[int]) -> None:
    for number in numbers:
        if not 0 <= number < _END:
            raise SecurityError(f"a number in it is out of range: {number}")
