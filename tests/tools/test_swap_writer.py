"""Swap areas against the words of swaplabel, blkid and mkswap itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.filesystems.swap import swap_writer
from holdstill.model.layout import Swap
from support import loop, programs

if TYPE_CHECKING:
    from pathlib import Path

UUID = "0f4ea1bc-4e61-4b43-a9b1-6d0c5e1e7a55"
SIZE = 16 << 20


def test_an_area_is_what_mkswap_makes(tmp_path: Path) -> None:
    ours = loop.blank_image(tmp_path / "ours", size=SIZE)
    theirs = loop.blank_image(tmp_path / "theirs", size=SIZE)
    theirs.chmod(0o600)
    programs.run("mkswap", "--uuid", UUID, "--label", "tide-swap", theirs)

    swap_writer.make(ours, offset=0, size=SIZE, parameters=Swap(uuid=UUID, label="tide-swap"))

    assert ours.read_bytes() == theirs.read_bytes()


def test_an_area_at_an_offset_is_known_by_uuid_and_label(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=SIZE * 3)

    swap_writer.make(image, offset=SIZE, size=SIZE, parameters=Swap(uuid=UUID, label="tide"))

    said = programs.run("blkid", "-p", "-O", str(SIZE), "-o", "export", image).decode()
    assert f"UUID={UUID}\n" in said
    assert "LABEL=tide\n" in said
    assert "TYPE=swap\n" in said


def test_an_area_of_a_board_with_large_pages_is_one(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "swap", size=SIZE)

    swap_writer.make(image, offset=0, size=SIZE, parameters=Swap(uuid=UUID, page_size=16384))

    assert f"UUID:  {UUID}".encode() in programs.run("swaplabel", image)
