"""A boot gap file out of a capture, from whoever sealed it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.disks.boot_gap import GapExtent
from holdstill.errors import SecurityError
from holdstill.records import captured_gap
from support import keeping
from support.contents import FolderContents

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def contents(tmp_path: Path) -> FolderContents:
    return FolderContents(tmp_path / "content")


def bring(contents: FolderContents, body: bytes) -> None:
    for piece in keeping.pieces_of(body).values():
        contents.add(piece)


def test_a_gap_is_read_as_it_was_written(contents: FolderContents) -> None:
    bring(contents, keeping.GAP)

    found = captured_gap.read(contents, keeping.attachment("gap.bin", keeping.GAP), of="pier-3/1")

    assert found == [GapExtent(512, b"boot code")]


def test_what_is_none_is_told_with_the_capture_the_file_and_what_to_do(
    contents: FolderContents,
) -> None:
    bring(contents, b"thief's gap")

    with pytest.raises(SecurityError, match=r"^pier-3/1: gap\.bin: not a boot gap file") as caught:
        captured_gap.read(contents, keeping.attachment("gap.bin", b"thief's gap"), of="pier-3/1")

    assert "Take another one" in caught.value.hint
