"""Sizes as people write and read them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import UsageError
from holdstill.model import sizes


# IEC 80000-13: KiB, MiB, GiB and TiB are powers of 1024; so are the bare letters of common tools.
@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("0", 0), ("4096", 4096), ("1K", 1024), ("512M", 512 << 20), ("7.5GiB", 15 << 29),
        ("1T", 1 << 40), ("2 g", 2 << 30), ("1KB", 1024), (" 3MiB ", 3 << 20), ("1B", 1),
    ],
)  # fmt: skip
def test_a_size_is_read(text: str, count: int) -> None:
    assert sizes.parse_size(text) == count


@pytest.mark.parametrize(
    "text", ["", "M", "-1M", "1.M", "1e9", "1,5G", "1P", "0x10", "1 M B", "٣M"]
)
def test_s30_nothing_else_is_a_size(text: str) -> None:
    with pytest.raises(UsageError, match="is not a size"):
        sizes.parse_size(text)


@pytest.mark.parametrize(
    ("count", "text"),
    [
        (0, "0 B"), (1023, "1023 B"), (1024, "1.0 KiB"), (1536, "1.5 KiB"), (15 << 29, "7.5 GiB"),
        (5 << 50, "5120.0 TiB"), (-2048, "-2.0 KiB"),
    ],
)  # fmt: skip
def test_a_size_is_written_for_people(count: int, text: str) -> None:
    assert sizes.human(count) == text


@given(value=st.integers(0, 1 << 60), step=st.integers(1, 1 << 30))
def test_alignment_goes_to_the_next_multiple(value: int, step: int) -> None:
    up, down = sizes.align_up(value, step), sizes.align_down(value, step)

    assert up % step == down % step == 0
    assert down <= value <= up
    assert up - down in {0, step}


@pytest.mark.parametrize(
    ("count", "words", "expected"),
    [
        (0, ("file",), "0 files"),
        (1, ("file",), "1 file"),
        (1024, ("file",), "1,024 files"),
        (1, ("entry", "entries"), "1 entry"),
        (2, ("entry", "entries"), "2 entries"),
    ],
)
def test_a_noun_agrees_with_its_number(count: int, words: tuple[str, ...], expected: str) -> None:
    assert sizes.counted(count, *words) == expected
