"""What a board may send, and when: one limit for all that goes to its keeper. Pure."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from holdstill.model.layout import Record
from holdstill.model.sizes import KIB, ByteSize

if TYPE_CHECKING:
    from datetime import time

LEAST = 4 * KIB
"""Bytes a second: below, logging in beside transfers takes longer than SSH waits for it."""
_SPAN = re.compile(r"((?:[01]\d|2[0-3]):[0-5]\d)-((?:[01]\d|2[0-3]):[0-5]\d|24:00)", re.ASCII)
_DAY = 24 * 60


class Compress(StrEnum):
    """Whether contents are compressed on their way to the keeper."""

    AUTO = "auto"
    YES = "yes"
    NO = "no"


class LineSettings(Record, frozen=True, kw_only=True):
    """How much of the line to the keeper this board may take.

    Attributes:
        limit: bytes a second, of all connections and both directions together; 0 is no limit.
        hours: limits that hold instead at some hours, by local time: {"07:00-22:00": 64K}.
        compress: what is compressed on its way; auto is whatever a sample shows to be worth it.
    """

    limit: ByteSize = ByteSize(0)
    hours: dict[str, ByteSize] = msgspec.field(default_factory=dict)
    compress: Compress = Compress.AUTO

    @property
    def is_limited(self) -> bool:
        """Whether there is a limit at any hour."""
        return any((self.limit, *self.hours.values()))


class _Span(NamedTuple):
    """Minutes since midnight; the end is the first one that is not in it."""

    begin: int
    end: int

    def minutes(self) -> frozenset[int]:
        """Return every minute in it; it may go over midnight."""
        length = (self.end - self.begin) % _DAY or _DAY
        return frozenset((self.begin + step) % _DAY for step in range(length))

    def has(self, minute: int) -> bool:
        """Whether a minute is in it."""
        return (minute - self.begin) % _DAY < ((self.end - self.begin) % _DAY or _DAY)


def _span(text: str) -> _Span | None:
    match = _SPAN.fullmatch(text)
    return None if match is None else _Span(_minute(match[1]), _minute(match[2]))


def _minute(text: str) -> int:
    hours, minutes = text.split(":")
    return int(hours) * 60 + int(minutes)


def limit_at(line: LineSettings, local: time) -> int:
    """Return the bytes a second that may be sent at a local time; 0 for no limit."""
    minute = local.hour * 60 + local.minute
    for text, limit in line.hours.items():
        span = _span(text)
        if span is not None and span.has(minute):
            return int(limit)
    return int(line.limit)


def least_limit(line: LineSettings) -> int:
    """Return the lowest limit of a day, for a board that does not know what time it is."""
    return min((int(limit) for limit in (line.limit, *line.hours.values()) if limit), default=0)


def problems(line: LineSettings) -> list[str]:
    """Return what is wrong with these settings, each with its key."""
    found = [
        f"{key}: must be {LEAST // KIB}K or more, in bytes a second, or 0 for no limit"
        for key, limit in (
            ("line.limit", line.limit),
            *((f"line.hours.{text}", limit) for text, limit in line.hours.items()),
        )
        if 0 < limit < LEAST
    ]
    taken: dict[int, str] = {}
    for text in line.hours:
        span = _span(text)
        if span is None:
            found.append(f"line.hours.{text}: must be two times such as 07:00-22:00")
            continue
        minutes = span.minutes()
        others = {taken[minute] for minute in minutes & taken.keys()}
        found += [f"line.hours.{text}: overlaps {other}" for other in sorted(others)]
        taken |= dict.fromkeys(minutes, text)
    return found
