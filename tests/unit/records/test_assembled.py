from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import SecurityError
from holdstill.records import assembled
from support import keeping

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.model.pieces import Part


@dataclass(frozen=True)
class Contents:
    """Contents in a folder, by digest."""

    folder: Path

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        yield from parts

    def open(self, digest: bytes) -> int:
        return os.open(self.folder / digest.hex(), os.O_RDONLY)


def test_an_attachment_that_is_larger_than_it_can_be_is_not_read(tmp_path: Path) -> None:
    body = b"boot" * 1000
    for name, content in keeping.pieces_of(body).items():
        (tmp_path / name).write_bytes(content)
    attachment = keeping.attachment("gap.bin", body)

    assert assembled.read(Contents(tmp_path), attachment, limit=len(body)) == body
    with pytest.raises(SecurityError, match=r"gap\.bin has 3\.9 KiB"):
        assembled.read(Contents(tmp_path), attachment, limit=len(body) - 1)
