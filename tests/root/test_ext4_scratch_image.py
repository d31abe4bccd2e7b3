"""The scratch file in which an ext4's inodes and directories are put together."""

from __future__ import annotations

import tempfile
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import TargetFailedError
from holdstill.model.entries import Entry, EntryType
from support import ext4_images, programs
from support.contents import FolderContents, a_file, a_folder, in_order

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = pytest.mark.root


@pytest.fixture
def small_desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A place for scratch files with room for the empty file system and little more."""
    place = tmp_path / "desks"
    place.mkdir()
    programs.run("mount", "-t", "tmpfs", "-o", "size=512k", "tmpfs", place)
    monkeypatch.setenv("TMPDIR", str(place))
    monkeypatch.setattr(tempfile, "tempdir", None)
    try:
        yield place
    finally:
        programs.run("umount", place)


def files(contents: FolderContents) -> list[Entry]:
    return [a_file(contents, b"%05d" % number, b"1.42 m") for number in range(3000)]


def long_links(contents: FolderContents) -> list[Entry]:
    links = [a_file(contents, b"%05d" % number, b"") for number in range(200)]
    return [link._replace(type=EntryType.SYMLINK, target=b"x" * 3000) for link in links]


@pytest.mark.parametrize("made", [files, long_links])
def test_a_full_place_for_scratch_files_is_named(
    tmp_path: Path, small_desk: Path, made: Callable[[FolderContents], list[Entry]]
) -> None:
    contents = FolderContents(tmp_path / "contents")
    entries = in_order([a_folder(b""), *made(contents)])

    with pytest.raises(TargetFailedError, match="No space left on device") as caught:
        ext4_images.image(tmp_path / "card.img", entries, contents, ext4_images.parameters())

    assert str(small_desk) in str(caught.value)
    assert "TMPDIR" in caught.value.hint
    assert list(small_desk.iterdir()) == []
    assert programs.run("df", "--output=iused", small_desk).split()[1] == b"1"  # its root
