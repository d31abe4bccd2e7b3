"""Pages recorded on Linux 6.18: four writes of 4, 8, 12 KiB and a discard, from two CPUs."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.board.trace_pages import PageLayout, Request, parse_layout, parse_page

RECORDED = Path(__file__).parents[2] / "data" / "block_trace"
HEADER_PAGE = (RECORDED / "header_page").read_text(encoding="ascii")
FORMAT = (RECORDED / "format").read_text(encoding="ascii")
PAGES = (RECORDED / "pages").read_bytes()
FIRST, SECOND = PAGES[:4096], PAGES[4096:]
LAYOUT = parse_layout(HEADER_PAGE, FORMAT)
LOOP3 = 7 << 20 | 3


def test_the_layout_is_what_the_kernel_says() -> None:
    assert parse_layout(HEADER_PAGE, FORMAT) == PageLayout(8, 8, 16, 2107, 8, 16, 24)


# Recorded on Debian 12's 6.1.0-50-armmp, of the first processor: one page of trace_pipe_raw, and
# what the kernel itself wrote of it in `trace`.
def test_a_32_bit_kernel_has_a_shorter_commit() -> None:
    narrow = RECORDED / "narrow"
    texts = [(narrow / name).read_text(encoding="ascii") for name in ("header_page", "format")]
    words = (narrow / "trace").read_text(encoding="ascii")
    told = re.findall(r": (\d+),(\d+) \S+ \(\) (\d+) \+ (\d+) \[0\]$", words, re.MULTILINE)

    layout = parse_layout(*texts)
    page = parse_page((narrow / "page").read_bytes(), layout)

    assert (layout.commit, layout.commit_size, layout.data) == (8, 4, 12)
    assert not page.missed
    assert len(page.requests) == len(words.splitlines()) > 40
    assert page.requests == [
        Request(major << 20 | minor, sector, sectors)
        for major, minor, sector, sectors in (map(int, found) for found in told)
    ]


@pytest.mark.parametrize("field", ["dev", "sector", "nr_sector", "common_type"])
def test_an_event_without_a_field_is_refused(field: str) -> None:
    with pytest.raises(ValueError, match="event"):
        parse_layout(HEADER_PAGE, FORMAT.replace(f" {field};", " other;"))


def test_the_recorded_pages_hold_what_was_written_and_not_what_was_read() -> None:
    one, other = parse_page(FIRST, LAYOUT), parse_page(SECOND, LAYOUT)

    assert one.requests == [Request(LOOP3, 2048, 8)]
    assert other.requests == [
        Request(LOOP3, 4096, 16),
        Request(LOOP3, 6144, 24),
        Request(LOOP3, 131072, 2048),
    ]
    assert not one.missed
    assert not other.missed


def page_of(*events: bytes, missed: bool = False) -> bytes:
    """Make a page as linux/ring_buffer.h and kernel/trace/ring_buffer.c describe it."""
    body = b"".join(events)
    return struct.pack("<QQ", 0, len(body) | missed << 31) + body


def payload(sector: int, sectors: int, event: int = LAYOUT.event) -> bytes:
    return struct.pack("<HBBiIxxxxQI4x", event, 0, 0, 1, LOOP3, sector, sectors)


def small(data: bytes) -> bytes:
    return struct.pack("<I", len(data) // 4) + data


def large(data: bytes) -> bytes:
    return struct.pack("<II", 0, 4 + len(data)) + data


TIME_EXTEND, TIME_STAMP = struct.pack("<II", 30, 1), struct.pack("<II", 31, 1)
PADDING = struct.pack("<II", 29 | 1 << 5, 8) + bytes(4)
END_OF_PAGE = struct.pack("<I", 29)


def test_what_is_between_the_events_is_stepped_over() -> None:
    page = page_of(
        TIME_STAMP,
        small(payload(8, 1)),
        TIME_EXTEND,
        small(payload(9, 1, event=12)),
        PADDING,
        large(payload(16, 2)),
        END_OF_PAGE,
        small(payload(24, 3)),
    )

    assert parse_page(page, LAYOUT).requests == [Request(LOOP3, 8, 1), Request(LOOP3, 16, 2)]


def test_a_page_before_which_events_were_dropped_says_so() -> None:
    assert parse_page(page_of(missed=True), LAYOUT).missed


@pytest.mark.parametrize("kept", [0, 10, 16 + 20])
def test_a_page_that_is_cut_short_is_refused(kept: int) -> None:
    with pytest.raises(ValueError, match="page"):
        parse_page(page_of(small(payload(8, 1)))[:kept], LAYOUT)


@given(st.binary(max_size=200))
def test_any_bytes_are_understood_or_refused(data: bytes) -> None:
    try:
        found = parse_page(page_of(data), LAYOUT)
    except ValueError:
        return
    assert len(found.requests) <= len(data)
