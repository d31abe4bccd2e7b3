"""The one function that makes foreign text fit to be shown (h6)."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.model.foreign_text import LINES_MOST, LONGEST, escaped, printable, printable_lines
from support import foreign

ANY_TEXT = st.text(st.characters(exclude_categories=()))
NOT_SHOWN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
"""General categories of characters that do not show, or do more than that (Unicode, 4.5)."""


@given(text=st.one_of(ANY_TEXT, st.binary()))
def test_h6_whatever_comes_in_only_visible_text_goes_out(text: str | bytes) -> None:
    shown = printable(text)

    assert foreign.is_clean(shown)
    assert "\n" not in shown
    assert not {unicodedata.category(c) for c in shown} & NOT_SHOWN
    shown.encode()  # no half characters


@given(text=ANY_TEXT)
def test_h6_what_is_printable_already_stays_as_it_is(text: str) -> None:
    assert printable(printable(text)) == printable(text)


@given(text=st.text(st.characters(categories=["L", "N", "P", "S"], max_codepoint=0x2FF)))
def test_plain_text_is_left_alone(text: str) -> None:
    assert printable(text) == text


@pytest.mark.parametrize("code", range(0x110000 // 0x100))
def test_h6_every_code_point_is_visible_or_written_out(code: int) -> None:
    for c in map(chr, range(code * 0x100, code * 0x100 + 0x100)):
        shown = escaped(c)
        assert shown == c or (shown.startswith("\\") and shown.isascii())
        assert unicodedata.category(shown[0]) not in NOT_SHOWN


# Default_Ignorable_Code_Point of DerivedCoreProperties.txt, Unicode 15.0: all of them.
@pytest.mark.parametrize(
    ("first", "last"),
    [
        (0xAD, 0xAD), (0x34F, 0x34F), (0x61C, 0x61C), (0x115F, 0x1160), (0x17B4, 0x17B5),
        (0x180B, 0x180F), (0x200B, 0x200F), (0x202A, 0x202E), (0x2060, 0x206F),
        (0x3164, 0x3164), (0xFE00, 0xFE0F), (0xFEFF, 0xFEFF), (0xFFA0, 0xFFA0),
        (0xFFF0, 0xFFF8), (0x1BCA0, 0x1BCA3), (0x1D173, 0x1D17A), (0xE0000, 0xE0FFF),
    ],
)  # fmt: skip
def test_h6_what_unicode_says_to_ignore_is_written_out(first: int, last: int) -> None:
    for c in map(chr, range(first, last + 1)):
        assert printable(f"a{c}b") == f"a{c.encode('unicode_escape').decode()}b"


def test_h6_bytes_that_are_no_text_are_shown_as_bytes() -> None:
    # PEP 383: os.fsdecode turns the byte ff into U+DCFF.
    assert printable(b"a\xffb") == printable("a\udcffb") == "a\\xffb"


@pytest.mark.parametrize("text", ["x" * 10**6, "\x1b" * 10**6, b"\xff" * 10**6])
def test_h6_nothing_is_endless(text: str | bytes) -> None:
    assert len(printable(text)) == LONGEST
    assert printable(text).endswith("...")


def test_h6_nobody_begins_a_line_that_could_be_ours() -> None:
    first, second, third = printable_lines("a\nholdstill: all is well\n  b\r")

    assert (first, second, third) == ("a", "  holdstill: all is well", "  b\\r")


def test_h6_very_many_lines_are_cut() -> None:
    shown = printable_lines("\n" * 10_000)

    assert len(shown) == LINES_MOST + 1
    assert shown[-1] == f"  and {10_001 - LINES_MOST:,} more lines"


def test_h6_a_letter_has_so_many_marks_and_no_more() -> None:
    """UAX #15, 13: a stream-safe text has at most 30 non-starters in a row."""
    shown = printable("e" + "\u0301" * 4000, longest=10**6)

    assert shown == "e" + "\u0301" * 30 + "\\u0301" * 3970
    assert printable("Vi\u0302\u0323t") == "Vi\u0302\u0323t"


# Letters and digits of the classes R, AL and AN (UAX #9, 3.2, table 4).
@pytest.mark.parametrize("c", ["\u05d0", "\u0634", "\u0710", "\u0780", "\u0663", "\U0001e900"])
def test_h6_nothing_turns_the_order_of_what_stands_beside(c: str) -> None:
    assert printable(f"{c} 7.8 /boot (good)") == c.encode("unicode_escape").decode() + (
        " 7.8 /boot (good)"
    )
