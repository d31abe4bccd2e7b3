"""The kernel's ring buffer, page by page, as `trace_pipe_raw` gives it. Pure.

Where a page has its fields is read from `events/header_page`, where an event has them from its
`format`; the headers of the events between them are those of linux/ring_buffer.h (enum
ring_buffer_type, little-endian bit fields), also in `events/header_event`.
"""

from __future__ import annotations

import re
import struct
from typing import NamedTuple

_FIELD = re.compile(r"field:[^;]*?(\w+)(?:\[\d*\])?;\s*offset:(\d+);\s*size:(\d+);")
_NUMBER = re.compile(r"^ID: (\d+)$", re.MULTILINE)
_WORD = struct.Struct("<I")
_TYPE_BITS, _TYPE_MASK = 5, 0x1F
_LARGE, _MOST_WORDS, _PADDING = 0, 28, 29
"""Types of events: length in the next word; up to here length in words; nothing in it. Above are
the two that move time, of 8 bytes each (RINGBUF_TYPE_TIME_EXTEND, _TIME_STAMP)."""
_MISSED = 1 << 31
_LENGTH = (1 << 20) - 1
"""Of a page's commit: events were dropped before it (RB_MISSED_EVENTS); bytes in use."""


class PageLayout(NamedTuple):
    """Where the fields are: offsets in bytes, of the commit also its size."""

    commit: int
    commit_size: int
    data: int
    event: int
    device: int
    sector: int
    sectors: int


class Request(NamedTuple):
    """One request that a disk has completed: kernel's device number, first sector, how many.

    Sectors are of 512 bytes, and absolute on the whole disk.
    """

    device: int
    sector: int
    sectors: int


class TracePage(NamedTuple):
    """What a page tells: requests, and whether the kernel dropped events before it."""

    requests: list[Request]
    missed: bool


def parse_layout(header_page: str, event_format: str) -> PageLayout:
    """Understand `events/header_page` and the `format` of a block event.

    Raises:
        ValueError: a field that we need is not there, or has another size.
    """
    page, event = _fields(header_page), _fields(event_format)
    number = _NUMBER.search(event_format)
    try:
        sizes = [event[name][1] for name in ("common_type", "dev", "sector", "nr_sector")]
        if number is None or sizes != [2, 4, 8, 4] or page["commit"][1] not in {4, 8}:
            raise ValueError(f"a block event of another shape: {event}, {page}")
        return PageLayout(
            *page["commit"],
            page["data"][0],
            int(number[1]),
            event["dev"][0],
            event["sector"][0],
            event["nr_sector"][0],
        )
    except KeyError as error:
        raise ValueError(f"a block event without {error}") from error


def _fields(text: str) -> dict[str, tuple[int, int]]:
    """Return offset and size in bytes of each field of a format."""
    return {name: (int(offset), int(size)) for name, offset, size in _FIELD.findall(text)}


def parse_page(page: bytes, layout: PageLayout) -> TracePage:
    """Understand one page.

    Raises:
        ValueError: it is cut short, or an event in it points past its end.
    """
    field = page[layout.commit : layout.commit + layout.commit_size]
    commit = int.from_bytes(field, "little")
    end = layout.data + (commit & _LENGTH)
    if len(field) < layout.commit_size or end > len(page):
        raise ValueError(f"a page of {len(page)} bytes that should reach to {end}")
    try:
        requests = _requests(page, layout, end)
    except struct.error as error:
        raise ValueError("an event in a trace page is cut short") from error
    return TracePage(requests, bool(commit & _MISSED))


def _requests(page: bytes, layout: PageLayout, end: int) -> list[Request]:
    """Walk the events of a page up to the end of what is in use."""
    found, at = [], layout.data
    while at < end:
        (head,) = _WORD.unpack_from(page, at)
        kind = head & _TYPE_MASK
        if kind > _PADDING:
            at += 8
            continue
        if kind == _PADDING and not head >> _TYPE_BITS:
            break  # the rest of the page is empty
        body, step = at + 4, 4 + kind * 4
        if kind in {_LARGE, _PADDING}:
            (size,) = _WORD.unpack_from(page, at + 4)
            body, step = at + 8, 4 + size
        if kind != _PADDING:
            found += _request(page, body, layout)
        at += step
    return found


def _request(page: bytes, body: int, layout: PageLayout) -> list[Request]:
    """Return the request of the event at body; none if the event is another one."""
    if struct.unpack_from("<H", page, body)[0] != layout.event:
        return []
    (device,) = _WORD.unpack_from(page, body + layout.device)
    (sector,) = struct.unpack_from("<Q", page, body + layout.sector)
    (sectors,) = _WORD.unpack_from(page, body + layout.sectors)
    return [Request(device, sector, sectors)]
