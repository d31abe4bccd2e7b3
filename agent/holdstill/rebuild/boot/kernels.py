"""Which version a kernel is, read from the kernel itself or from its name."""

from __future__ import annotations

import re
import zlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

LIMIT = 128 << 20
"""Most bytes of a kernel that are read, or unpacked."""
BEGINNINGS_MOST = 64
"""Places in a kernel that look like the beginning of a packed one: chance alone makes eight."""
PIECE = 1 << 20
OVERLAP = 256
_VERSION = re.compile(rb"Linux version (\d+\.\d+[^\s\0]{0,100}) ")
_IN_NAME = re.compile(r"(?:vmlinu[xz]|Image|zImage|kernel|linux)-(\d+\.\d+\S*)")
_GZIP = b"\x1f\x8b\x08"
_SETUP_VERSION = 0x20E
"""Of an x86 kernel: the offset of its version, counted from byte 0x200 (Linux x86/boot.rst)."""


def version_in_name(path: bytes) -> str:
    """Return the version in a kernel's name, or ""."""
    match = _IN_NAME.search(path.rpartition(b"/")[2].decode(errors="replace"))
    return re.sub(r"\.(?:gz|efi|img|signed)$", "", match[1]) if match else ""


def version_inside(content: bytes) -> str:
    """Return the version stored in a kernel, or "" when it is packed in another way."""
    if setup := _setup_version(content):
        return setup
    for text in _texts(content):
        if match := _VERSION.search(text):
            return match[1].decode(errors="replace")
    return ""


def _setup_version(content: bytes) -> str:
    if content[0x202:0x206] != b"HdrS":
        return ""
    at = int.from_bytes(content[_SETUP_VERSION : _SETUP_VERSION + 2], "little") + 0x200
    words = content[at : at + 200].partition(b"\0")[0].split()
    return words[0].decode(errors="replace") if words else ""


def _texts(content: bytes) -> Iterator[bytes]:
    """Yield what may hold the version: the kernel, and what gzip packed into it."""
    yield content
    at, left = content.find(_GZIP), LIMIT
    for _ in range(BEGINNINGS_MOST):
        if at < 0 or left <= 0:
            return
        for text in _unpacked(memoryview(content)[at:], left):
            yield text
            left -= len(text)
        at = content.find(_GZIP, at + 1)


def _unpacked(packed: memoryview, limit: int) -> Iterator[bytes]:
    """Yield what gzip packed in pieces that overlap, so that nothing is cut in two."""
    unpacker, tail, count = zlib.decompressobj(wbits=31), b"", 0
    for start in range(0, len(packed), PIECE):
        fed: bytes | memoryview = packed[start : start + PIECE]
        while fed and count < limit and not unpacker.eof:
            try:
                piece = unpacker.decompress(fed, PIECE)
            except zlib.error:
                return  # these three bytes were no beginning of anything
            fed = unpacker.unconsumed_tail
            if piece:
                yield tail + piece
                tail, count = piece[-OVERLAP:], count + len(piece)
        if count >= limit or unpacker.eof:
            return
