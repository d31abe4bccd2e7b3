"""Names, dates and slots of FAT directories, as Linux fs/fat makes them.

A name in upper case that fits 8.3 is its own short name. Any other one is a long name, in slots
of thirteen UTF-16 units before a short one: the same in upper case where that fits, so that
firmware without long names finds bootcode.bin as BOOTCODE.BIN, else a made-up one with a tail.
"""

from __future__ import annotations

import struct
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.model import paths

if TYPE_CHECKING:
    from collections.abc import Sequence

SLOT = 32
LONG_NAME = 0x0F
LABEL = 0x08
DIRECTORY = 0x10
UNITS = 13
"""UTF-16 units of a long name in one slot."""
UNITS_MAX = 255
SLOTS_MAX = 65536
"""In one directory."""
_SHORT = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789!#$%&'()-@^_`{}~")
_FORBIDDEN = frozenset('"*/:<>?\\|') | frozenset(map(chr, range(32)))
_ENTRY = struct.Struct("<11sBBBHHHHHHHI")
_FIRST, _LAST = datetime(1980, 1, 1, tzinfo=UTC), datetime(2107, 12, 31, 23, 59, 58, tzinfo=UTC)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def text_of(name: bytes) -> str:
    """Return a name as text that a FAT can hold.

    Raises:
        SecurityError: it cannot.
    """
    try:
        text = paths.check_name(name).decode()
    except UnicodeDecodeError as error:
        raise SecurityError(f"a FAT cannot hold the name {paths.display(name)!r}") from error
    if _FORBIDDEN & set(text) or len(text.encode("utf-16-le")) > 2 * UNITS_MAX:
        raise SecurityError(f"a FAT cannot hold the name {paths.display(name)!r}")
    return text


def short_names(texts: Sequence[str]) -> list[bytes]:
    """Return the eleven bytes of a short name for each name in one directory; no two are alike."""
    fitting = [_fitting(text.upper()) for text in texts]
    taken = {short for short in fitting if short is not None}
    tails: dict[tuple[bytes, bytes], int] = {}
    return [
        short or _made_up(text, taken, tails) for text, short in zip(texts, fitting, strict=True)
    ]


def _fitting(text: str) -> bytes | None:
    """Return a name in eleven bytes, or None when it does not fit or loses something."""
    base, dot, extension = text.rpartition(".") if "." in text else (text, "", "")
    raw = base.encode("ascii", "replace"), extension.encode("ascii", "replace")
    plain = text.isascii() and _SHORT.issuperset(raw[0] + raw[1])
    if not plain or not 0 < len(base) <= 8 or len(extension) > 3 or (dot and not extension):
        return None
    return raw[0].ljust(8) + raw[1].ljust(3)


def _made_up(text: str, taken: set[bytes], tails: dict[tuple[bytes, bytes], int]) -> bytes:
    base, _, extension = text.strip(".").rpartition(".")
    if not base:
        base, extension = extension, ""
    stem, end = _plain(base), _plain(extension)[:3].ljust(3)
    number = tails.get((stem[:6], end), 0)
    while True:
        number += 1
        tail = b"~%d" % number
        short = (stem[: 8 - len(tail)] + tail).ljust(8) + end
        if short not in taken:
            break
    tails[stem[:6], end] = number
    taken.add(short)
    return short


def _plain(text: str) -> bytes:
    """Return what a short name can hold of a part of a long one."""
    letters = text.upper().replace(" ", "").replace(".", "").encode("ascii", "replace")
    return bytes(byte if byte in _SHORT else ord("_") for byte in letters)


def long_slots(text: str, short: bytes) -> bytes:
    """Return the slots of a long name, last part first; none if it is its own short one."""
    if short == _fitting(text):
        return b""
    units = text.encode("utf-16-le")
    count = -(-len(units) // (2 * UNITS))
    if len(units) < count * 2 * UNITS:
        units = (units + b"\0\0").ljust(count * 2 * UNITS, b"\xff")
    checksum = short_checksum(short)
    return b"".join(
        _long_slot(number, count, units[26 * (number - 1) : 26 * number], checksum)
        for number in range(count, 0, -1)
    )


def _long_slot(number: int, count: int, units: bytes, checksum: int) -> bytes:
    order = number | (0x40 if number == count else 0)
    head = bytes([order]) + units[:10] + bytes([LONG_NAME, 0, checksum])
    return head + units[10:22] + b"\0\0" + units[22:]


def short_checksum(short: bytes) -> int:
    """Return the checksum that ties long slots to their short name."""
    total = 0
    for byte in short:
        total = ((total & 1) << 7 | total >> 1) + byte & 0xFF
    return total


def slot(short: bytes, *, attributes: int, cluster: int, size: int, mtime_ns: int) -> bytes:
    """Return the slot of a short name."""
    date, time = fat_time(mtime_ns)
    high, low = cluster >> 16, cluster & 0xFFFF
    return _ENTRY.pack(short, attributes, 0, 0, time, date, date, high, time, date, low, size)


def fat_time(mtime_ns: int) -> tuple[int, int]:
    """Return date and time as FAT holds them: UTC, two seconds, 1980 to 2107."""
    try:
        moment = _EPOCH + timedelta(seconds=mtime_ns // 1_000_000_000)
    except OverflowError:
        moment = _LAST if mtime_ns > 0 else _FIRST
    moment = min(max(moment, _FIRST), _LAST)
    date = (moment.year - 1980) << 9 | moment.month << 5 | moment.day
    return date, moment.hour << 11 | moment.minute << 5 | moment.second // 2
