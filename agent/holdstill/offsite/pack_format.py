r"""The bytes of a pack: contents, each compressed and sealed, one after another in one object.

    magic "holdstill pack\0\0" (16 bytes), version (u32), the pack's key in a sealed box (80 bytes)
    length of a record (u32), record
    ...

Numbers are big-endian. The key is 32 random bytes, made for this pack alone and sealed for the
owner's recovery key (libsodium, crypto_box_seal). A record is sealed by XChaCha20-Poly1305
(libsodium, crypto_aead_xchacha20poly1305_ietf): its nonce is the record's number in the pack,
from 0, in 24 bytes, which no other record under this key has; its associated data are the SHA-256
of the content, the number of the record in that content (u32), and 1 for the last one, else 0.
What is sealed begins with a byte that says how it is packed: 0 as it is, 1 by zlib (RFC 1950).

A content is one record for every SEGMENT bytes of it. Which contents are where is in heads; a pack
alone says nothing but the lengths of its records. A pack's name is the SHA-256 of all its bytes,
so anybody can check that it is whole.
"""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING, NamedTuple

from nacl import bindings
from nacl.exceptions import CryptoError

from holdstill.errors import SecurityError

try:
    from zlib_ng.zlib_ng import compress
except ImportError:  # not packaged everywhere; what it makes is the same format
    from zlib import compress

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

TARGET = 32 << 20
"""Bytes that a pack is filled up to; a content that is larger has a larger one to itself."""
CONTENTS = 50_000
"""Of a pack at most: their rows, 2.4 MB, go into one head with those of others."""
SEGMENT = 4 << 20
"""Bytes of a content in one record: so that memory stays flat."""
KEY = 32
_MAGIC, _VERSION = b"holdstill pack\0\0", 1
_HEADER = struct.Struct(">16sI80s")
HEADER_SIZE = _HEADER.size
LENGTH = struct.Struct(">I")
_OF_RECORD = struct.Struct(">32sIB")
_AS_IT_IS, _ZLIB = b"\0", b"\1"
_LEVEL = 3
"""Of zlib-ng: 112 MiB/s to 0.374, where zlib itself gives 59 MiB/s and 0.373, and its level 6 26
MiB/s and 0.356 (1800 contents of a Debian /usr, one processor)."""
_SLICE, _SLICES = 16 << 10, 3
_TRIED = 128 << 10
"""Bytes from which on three slices of a record are tried first. They name 10 of 152 MiB of a
Debian /usr that packing brings nothing, for 0.002 % more bytes; on random bytes packing takes
ten times as long as sealing."""
_BRINGS = 0.99
"""What has to become of the slices for the whole to be packed."""
_RECORD_MAX = SEGMENT + 64
_ROW = struct.Struct(">32sQII")
ROW_SIZE = _ROW.size


class Row(NamedTuple):
    """Where a content is in a pack.

    Attributes:
        digest: SHA-256 of the content.
        offset, length: bytes of the pack that its records take, lengths included.
        first: the number of its first record in the pack.
    """

    digest: bytes
    offset: int
    length: int
    first: int

    def encode(self) -> bytes:
        """Return the row as heads have it."""
        return _ROW.pack(*self)


def rows_of(packed: bytes) -> Iterator[Row]:
    """Yield the rows of a pack from a head.

    Raises:
        SecurityError: they are cut short.
    """
    if len(packed) % ROW_SIZE:
        raise SecurityError("the rows of a pack are cut short")
    yield from map(Row._make, _ROW.iter_unpack(packed))


def header(sealed_key: bytes) -> bytes:
    """Return how a pack begins."""
    return _HEADER.pack(_MAGIC, _VERSION, sealed_key)


def sealed_key_of(begin: bytes) -> bytes:
    """Return the sealed key from a pack's first HEADER_SIZE bytes.

    Raises:
        SecurityError: it is no pack.
    """
    try:
        magic, version, key = _HEADER.unpack(begin)
    except struct.error as error:
        raise SecurityError("too short for a pack") from error
    if (magic, version) != (_MAGIC, _VERSION):
        raise SecurityError(f"not a pack of version {_VERSION}")
    return bytes(key)


def seal_record(
    data: bytes, key: bytes, number: int, digest: bytes, *, segment: int, is_last: bool
) -> bytes:
    """Return a record, with its length before it."""
    plain = _packed(data)
    extra = _OF_RECORD.pack(digest, segment, is_last)
    sealed = bindings.crypto_aead_xchacha20poly1305_ietf_encrypt(plain, extra, _nonce(number), key)
    return LENGTH.pack(len(sealed)) + sealed


def _packed(data: bytes) -> bytes:
    slices = _slices(data) if len(data) >= _TRIED else b""
    if not slices or len(compress(slices, _LEVEL)) < _BRINGS * len(slices):
        packed = compress(data, _LEVEL)
        if len(packed) < len(data):
            return _ZLIB + packed
    return _AS_IT_IS + data


def _slices(data: bytes) -> bytes:
    step = (len(data) - _SLICE) // (_SLICES - 1)
    return b"".join(data[at : at + _SLICE] for at in range(0, _SLICES * step, step))


def open_content(sealed: bytes, row: Row, key: bytes) -> Iterator[bytes]:
    """Yield the bytes of a content, from all that its row says it takes in the pack.

    Each part is what was sealed under this digest; that all of it together has the digest is for
    the caller to check.

    Raises:
        SecurityError: it was altered, is of another content, or cut short.
    """
    view, at, segment, is_last = memoryview(sealed), 0, 0, False
    while not is_last:
        if at + LENGTH.size > len(view):
            raise SecurityError(f"content {row.digest.hex()} is cut short in its pack")
        (length,) = LENGTH.unpack_from(view, at)
        at += LENGTH.size
        if length > _RECORD_MAX or at + length > len(view):
            raise SecurityError(f"content {row.digest.hex()} has a record of an odd length")
        record, at = bytes(view[at : at + length]), at + length
        is_last = at == len(view)
        extra = _OF_RECORD.pack(row.digest, segment, is_last)
        yield _opened(record, extra, _nonce(row.first + segment), key)
        segment += 1


def open_streamed(chunks: Iterable[bytes], row: Row, key: bytes) -> Iterator[bytes]:
    """Yield the same of a content that is too large to be held, as its bytes arrive.

    Raises:
        SecurityError: as `open_content`, with the first record that is no good.
    """
    coming, held, left, segment = iter(chunks), bytearray(), row.length, 0
    while left:
        _fill(held, coming, LENGTH.size, row)
        (length,) = LENGTH.unpack_from(held)
        left -= LENGTH.size + length
        if length > _RECORD_MAX or left < 0:
            raise SecurityError(f"content {row.digest.hex()} has a record of an odd length")
        _fill(held, coming, LENGTH.size + length, row)
        record = bytes(held[LENGTH.size : LENGTH.size + length])
        del held[: LENGTH.size + length]
        extra = _OF_RECORD.pack(row.digest, segment, left == 0)
        yield _opened(record, extra, _nonce(row.first + segment), key)
        segment += 1


def _fill(held: bytearray, coming: Iterator[bytes], size: int, row: Row) -> None:
    while len(held) < size:
        chunk = next(coming, None)
        if chunk is None:
            raise SecurityError(f"content {row.digest.hex()} is cut short in its pack")
        held += chunk


def _opened(record: bytes, extra: bytes, nonce: bytes, key: bytes) -> bytes:
    try:
        plain = bindings.crypto_aead_xchacha20poly1305_ietf_decrypt(record, extra, nonce, key)
    except (CryptoError, ValueError) as error:  # ValueError: shorter than what seals it
        raise SecurityError("a record was altered, or is of another content") from error
    if plain[:1] == _AS_IT_IS:
        return plain[1:]
    unpacker = zlib.decompressobj()
    try:
        data = unpacker.decompress(plain[1:], SEGMENT)
    except zlib.error as error:
        raise SecurityError(f"a record cannot be unpacked: {error}") from error
    if plain[:1] != _ZLIB or not unpacker.eof or unpacker.unconsumed_tail:
        raise SecurityError("a record is packed in another way than packs are")
    return data


def _nonce(number: int) -> bytes:
    return number.to_bytes(bindings.crypto_aead_xchacha20poly1305_ietf_NPUBBYTES)
