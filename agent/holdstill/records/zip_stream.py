"""A zip archive, as it is streamed (PKWARE APPNOTE.TXT 6.3.10), in flat memory.

Names are UTF-8; sizes and CRC follow a file's bytes; from 4 GiB or 65,535 members on it is Zip64.
Modes, owners and times are kept as Info-ZIP does it (its proginfo/extrafld.txt: UT and ux).
"""

from __future__ import annotations

import struct
import zlib
from datetime import UTC, datetime
from typing import IO, TYPE_CHECKING, NamedTuple

from holdstill.model.entries import EntryType

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdstill.model.entries import Entry

_LOCAL = struct.Struct("<4s5H3I2H")
_CENTRAL = struct.Struct("<4s6H3I5H2I")
_END = struct.Struct("<4s4H2IH")
_END_64 = struct.Struct("<4sQ2H2I4Q")
_LOCATOR_64 = struct.Struct("<4sIQI")
_FULL, _FULL_COUNT = 0xFFFFFFFF, 0xFFFF
_LARGE = 0xF0000000
"""Bytes from which on a member is written as Zip64: what cannot be packed grows a little."""
_STORED, _DEFLATED = 0, 8
_UTF8, _SIZES_FOLLOW = 1 << 11, 1 << 3
_UNIX = 3 << 8
_DIRECTORY = 0x10
_LEVEL = 1
"""Of compression: cards come over a network that is seldom faster."""
_WINDOW, _MEMORY = 12, 5
"""Of zlib.compressobj: each download holds 32 KiB, not 256 (zconf.h), for 2 to 8 % more bytes."""


class _Member(NamedTuple):
    name: bytes
    entry: Entry
    method: int
    flags: int
    is_large: bool


class ZipStream:
    """One archive; `folder`, `symlink` and `file` yield what each member adds to it."""

    def __init__(self, directory: IO[bytes]) -> None:
        """Begin an archive; directory: an empty file for what must be said at its end."""
        self._directory = directory
        self._at = self._count = 0

    def folder(self, name: bytes, entry: Entry) -> Iterator[bytes]:
        """Yield a directory; its name is UTF-8."""
        return self._plain(name + b"/", entry, b"")

    def symlink(self, name: bytes, entry: Entry) -> Iterator[bytes]:
        """Yield a symlink, as Info-ZIP writes it."""
        return self._plain(name, entry, entry.target)

    def file(self, name: bytes, entry: Entry, data: Iterable[bytes]) -> Iterator[bytes]:
        """Yield a file of entry.size bytes."""
        is_large = entry.size >= _LARGE
        made = _Member(name, entry, _DEFLATED, _UTF8 | _SIZES_FOLLOW, is_large)
        begun = self._at
        yield self._sent(_local(made, 0, 0))
        packer = zlib.compressobj(_LEVEL, zlib.DEFLATED, -_WINDOW, _MEMORY)
        crc = size = packed = 0
        for part in data:
            crc, size = zlib.crc32(part, crc), size + len(part)
            out = packer.compress(part)
            packed += len(out)
            yield self._sent(out)
        out = packer.flush()
        packed += len(out)
        form = "<4sIQQ" if is_large else "<4sIII"
        yield self._sent(out + struct.pack(form, b"PK\x07\x08", crc, packed, size))
        self._noted(made, begun, crc, packed, size)

    def end(self) -> Iterator[bytes]:
        """Yield the directory of all members, which ends the archive."""
        begun = self._at
        self._directory.seek(0)
        while data := self._directory.read(64 << 10):
            yield self._sent(data)
        size = self._at - begun
        if self._count >= _FULL_COUNT or begun >= _FULL or size >= _FULL:
            where, count = self._at, self._count
            yield _END_64.pack(b"PK\x06\x06", 44, _UNIX | 45, 45, 0, 0, count, count, size, begun)
            yield _LOCATOR_64.pack(b"PK\x06\x07", 0, where, 1)
        count = min(self._count, _FULL_COUNT)
        yield _END.pack(b"PK\x05\x06", 0, 0, count, count, min(size, _FULL), min(begun, _FULL), 0)

    def _plain(self, name: bytes, entry: Entry, data: bytes) -> Iterator[bytes]:
        made, begun = _Member(name, entry, _STORED, _UTF8, is_large=False), self._at
        crc = zlib.crc32(data)
        yield self._sent(_local(made, crc, len(data)) + data)
        self._noted(made, begun, crc, len(data), len(data))

    def _sent(self, data: bytes) -> bytes:
        self._at += len(data)
        return data

    def _noted(self, made: _Member, begun: int, crc: int, packed: int, size: int) -> None:
        """Write a member's place in the directory."""
        numbers = [size, packed, begun]
        beyond = [number for number in numbers if number >= _FULL]
        extra = _extra(made.entry)
        if beyond:
            extra += struct.pack(f"<HH{len(beyond)}Q", 1, 8 * len(beyond), *beyond)
        size, packed, begun = (min(number, _FULL) for number in numbers)
        version = 45 if made.is_large or beyond else 20
        entry = made.entry
        attributes = (entry.type.format_bits | entry.mode) << 16
        if entry.type is EntryType.DIRECTORY:
            attributes |= _DIRECTORY
        self._directory.write(
            _CENTRAL.pack(
                b"PK\x01\x02", _UNIX | version, version, made.flags, made.method,
                *_moment(entry.mtime_ns), crc, packed, size, len(made.name), len(extra), 0, 0, 0,
                attributes, begun,
            )
            + made.name
            + extra
        )  # fmt: skip
        self._count += 1


def _local(made: _Member, crc: int, size: int) -> bytes:
    extra = _extra(made.entry)
    if made.is_large:  # 4.5.3: sizes of 64 bits are here, and behind the bytes
        extra += struct.pack("<HHQQ", 1, 16, 0, 0)
        size = _FULL
    version = 45 if made.is_large else 20
    head = _LOCAL.pack(
        b"PK\x03\x04", version, made.flags, made.method, *_moment(made.entry.mtime_ns), crc,
        size, size, len(made.name), len(extra),
    )  # fmt: skip
    return head + made.name + extra


def _extra(entry: Entry) -> bytes:
    """Return time and owner, as Unix has them."""
    owner = struct.pack("<HHBBIBI", 0x7875, 11, 1, 4, entry.uid, 4, entry.gid)
    seconds = entry.mtime_ns // 1_000_000_000
    if not -(1 << 31) <= seconds < 1 << 31:
        return owner
    return struct.pack("<HHBi", 0x5455, 5, 1, seconds) + owner


def _moment(mtime_ns: int) -> tuple[int, int]:
    """Return time and date as MS-DOS has them (4.4.6), from 1980 to 2107, in UTC."""
    least, most = 315_532_800, 4_354_819_198
    at = datetime.fromtimestamp(min(max(mtime_ns // 1_000_000_000, least), most), UTC)
    return (
        at.hour << 11 | at.minute << 5 | at.second // 2,
        (at.year - 1980) << 9 | at.month << 5 | at.day,
    )
