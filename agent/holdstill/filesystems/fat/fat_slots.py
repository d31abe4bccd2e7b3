"""The slots of FAT directories: short and long names, attributes, dates."""

from __future__ import annotations

import struct
from typing import NamedTuple

LABEL, DIRECTORY, LONG_NAME = 0x08, 0x10, 0x0F
FREE, END, _ESCAPED = 0xE5, 0x00, 0x05
_LOWER_BASE, _LOWER_EXTENSION = 0x08, 0x10
SLOT = struct.Struct("<8s3sBBBHHHHHHHI")
_LONG_SLOTS_MAX = 20


class Node(NamedTuple):
    """A file or directory as its entry describes it."""

    name: bytes
    attributes: int
    mtime_ns: int
    cluster: int
    size: int

    @property
    def is_directory(self) -> bool:
        """Whether it is a directory."""
        return bool(self.attributes & DIRECTORY)


DOT_NAMES = frozenset({b".          ", b"..         "})


class LongName:
    """Collects the slots of a long name, which come before the short one, last part first."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._next = 0
        self._checksum = -1

    def add(self, slot: bytes) -> None:
        """Take the next slot of a long name; the last part of the name comes first."""
        order = slot[0]
        if order & 0x40:
            self._parts, self._next, self._checksum = [], order & 0x3F, slot[13]
        if (order & 0x3F) != self._next or slot[13] != self._checksum or not self._next:
            self._next = 0  # not ours: the short name counts
            self._checksum = -1
            return
        self._parts.append(slot[1:11] + slot[14:26] + slot[28:32])
        self._next -= 1

    def take(self, slot: bytes) -> bytes | None:
        """Return the long name of a short one in UTF-8, or None when there is none."""
        is_complete = bool(self._parts) and self._next == 0 and len(self._parts) <= _LONG_SLOTS_MAX
        is_mine = is_complete and self._checksum == _short_checksum(slot[:11])
        raw = b"".join(reversed(self._parts)) if is_mine else b""
        self._parts, self._next, self._checksum = [], 0, -1
        units = [raw[at : at + 2] for at in range(0, len(raw), 2)]
        if b"\0\0" in units:
            raw = b"".join(units[: units.index(b"\0\0")])
        # Linux leaves out unpaired surrogates, too.
        return raw.decode("utf-16-le", "ignore").encode() or None


def _short_checksum(name: bytes) -> int:
    total = 0
    for byte in name:
        total = ((total & 1) << 7 | total >> 1) + byte & 0xFF
    return total


def parse_slot(slot: bytes, long_name: bytes | None, bits: int) -> Node:
    """Read one entry of a directory, with the long name that precedes it, if any."""
    (base, extension, attributes, case, _, _, _, _, cluster_high, time, date, cluster_low,
     size) = SLOT.unpack(slot)  # fmt: skip
    cluster = cluster_low | (cluster_high << 16 if bits == 32 else 0)
    name = long_name or _short_name(base, extension, case)
    return Node(name, attributes, unix_ns(date, time), cluster, size)


def _short_name(base: bytes, extension: bytes, case: int) -> bytes:
    if base[0] == _ESCAPED:
        base = bytes([FREE]) + base[1:]
    first, second = base.rstrip(b" ").decode("cp437"), extension.rstrip(b" ").decode("cp437")
    first = first.lower() if case & _LOWER_BASE else first
    second = second.lower() if case & _LOWER_EXTENSION else second
    return (f"{first}.{second}" if second else first).encode()


_DAYS_BEFORE = (0, 0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334, 0, 0, 0)
_DAYS_TO_1980 = 365 * 10 + 2
_YEAR_2100 = 120


def unix_ns(date: int, time: int) -> int:
    """Turn a date and time of a directory entry into nanoseconds since 1970.

    Fields out of range count as Linux fs/fat/misc.c counts them, so that both agree.
    """
    year, month, day = date >> 9, max(1, date >> 5 & 15), max(1, date & 31) - 1
    leap_days = (year + 3) // 4 - (year > _YEAR_2100)
    if year % 4 == 0 and year != _YEAR_2100 and month > 2:
        leap_days += 1
    days = year * 365 + leap_days + _DAYS_BEFORE[month] + day + _DAYS_TO_1980
    seconds = (time >> 11) * 3600 + (time >> 5 & 63) * 60 + (time & 31) * 2
    return (days * 86400 + seconds) * 1_000_000_000
