"""One file that becomes one index after another: what is a hole in the next one is emptied."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from holdstill.model.pieces import Part
from holdstill.records import index_series

if TYPE_CHECKING:
    from pathlib import Path

SIZE = 3 << 20


@pytest.mark.parametrize(
    ("offset", "length"), [(0, 1), (4096, 1 << 20), (1 << 20, (1 << 20) + 77), (0, SIZE)]
)
def test_a_hole_is_emptied_to_its_last_byte_and_no_further(
    tmp_path: Path, offset: int, length: int
) -> None:
    path = tmp_path / "index"
    path.write_bytes(b"x" * SIZE)
    handle = os.open(path, os.O_RDWR)
    try:
        index_series._clear(handle, Part(offset, length, b""))
    finally:
        os.close(handle)

    assert path.read_bytes() == b"x" * offset + bytes(length) + b"x" * (SIZE - offset - length)
