"""Bytes by position: of a whole file, and of a part of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.errors import UsageError
from holdstill.system import byte_source

if TYPE_CHECKING:
    from pathlib import Path


def test_a_window_is_a_source_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "card.img"
    path.write_bytes(bytes(range(100)))

    with byte_source.opened(path) as whole:
        part = whole.window(10, 20).window(5, 10)

        assert (whole.size, part.size) == (100, 10)
        assert part.read(0, 3) == bytes([15, 16, 17])
        assert part.read(10, 0) == b""


@pytest.mark.parametrize(("offset", "length"), [(0, 11), (10, 1), (-1, 2), (0, -1), (2**63, 1)])
def test_what_is_outside_a_window_is_not_read(tmp_path: Path, offset: int, length: int) -> None:
    path = tmp_path / "card.img"
    path.write_bytes(bytes(100))

    with byte_source.opened(path) as whole, pytest.raises(EOFError, match="outside 10"):
        whole.window(5, 10).read(offset, length)


@pytest.mark.parametrize(("start", "size"), [(0, 101), (100, 1), (-1, 1), (0, -1)])
def test_a_window_does_not_reach_outside(tmp_path: Path, start: int, size: int) -> None:
    path = tmp_path / "card.img"
    path.write_bytes(bytes(100))

    with byte_source.opened(path) as whole, pytest.raises(EOFError):
        whole.window(start, size)


def test_a_file_that_became_shorter_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "card.img"
    path.write_bytes(bytes(100))

    with byte_source.opened(path) as whole:
        path.write_bytes(b"short")

        with pytest.raises(EOFError, match="no bytes at 5"):
            whole.read(0, 100)


@pytest.mark.parametrize(
    ("offset", "length"),
    [(0, 65536), (1, 65536), (4095, 70_000), (300_000, 99_000), (0, 1 << 20), (5, 100), (0, 0)],
)
def test_uncached_the_same_bytes_are_read(tmp_path: Path, offset: int, length: int) -> None:
    path = tmp_path / "card.img"
    path.write_bytes(bytes(number * 7 % 251 for number in range(400_000)) * 3)

    with byte_source.opened(path) as whole:
        window = whole.window(1234, 1_150_000)
        with byte_source.uncached(path, window) as direct:
            found = direct.read(offset, length)

        assert found == window.read(offset, length)


def test_uncached_nothing_is_read_outside_a_window(tmp_path: Path) -> None:
    path = tmp_path / "card.img"
    path.write_bytes(bytes(200_000))

    with (
        byte_source.opened(path) as whole,
        byte_source.uncached(path, whole.window(0, 100_000)) as direct,
        pytest.raises(EOFError, match="outside 100000"),
    ):
        direct.read(30_000, 70_001)


def test_a_directory_is_no_card(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="is a directory"):
        byte_source.check_plain(tmp_path)
