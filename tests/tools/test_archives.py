"""Archives of folders, unpacked by GNU tar and Info-ZIP's unzip."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from holdstill.model import portable_name
from holdstill.model.entries import EntryType
from holdstill.workflow import folder_archive
from holdstill.workflow.folder_archive import NOTES, ArchiveFormat, Folder
from support import archive_tree, programs
from support.contents import FolderContents

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.entries import Entry

pytestmark = pytest.mark.tools


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Folder]:
    yield from archive_tree.folder(tmp_path)


def every(folder: Folder) -> list[Entry]:
    """Return what is to be in an archive, as the index itself has it."""
    with folder.open_index() as index:
        return [folder.top, *index.below(folder.part, folder.top.path)]


def unpacked(folder: Folder, place: Path, wanted: ArchiveFormat, *words: str | Path) -> Path:
    archive, target = place / "archive", place / "unpacked"
    archive.write_bytes(b"".join(folder_archive.packed(folder, wanted)))
    target.mkdir()
    names = {"ARCHIVE": archive, "TARGET": target}
    programs.run(*(names.get(str(word), word) for word in words))
    return target


def test_gnu_tar_unpacks_the_same(folder: Folder, tmp_path: Path) -> None:
    found = unpacked(
        folder, tmp_path, ArchiveFormat.TAR, "tar", "--warning=no-unknown-keyword",
        "--no-same-owner", "--exclude=disk", "--exclude=tty", "-xf", "ARCHIVE", "-C", "TARGET",
    )  # fmt: skip

    assert {path.name for path in found.iterdir()} == {"top", NOTES.decode()}
    contents = folder.contents
    assert isinstance(contents, FolderContents)
    for entry in every(folder):
        place = found / entry.path.decode(errors="surrogateescape")
        if entry.type is EntryType.FILE and (entry.digest or not entry.size):
            assert place.read_bytes() == (contents.body(entry) if entry.digest else b"")
            assert place.stat().st_mtime_ns == entry.mtime_ns
        elif entry.type is EntryType.SYMLINK:
            assert (
                place.readlink().name.encode(errors="surrogateescape")
                == (entry.target.rpartition(b"/")[2])
            )
    assert (found / "top/in/first").samefile(found / "top/in/second")
    large = (found / "top/in/large").stat()
    assert large.st_blocks * 512 < large.st_size // 10


@pytest.mark.skipif(shutil.which("unzip") is None, reason="needs unzip")
def test_unzip_unpacks_the_same(folder: Folder, tmp_path: Path) -> None:
    found = unpacked(folder, tmp_path, ArchiveFormat.ZIP, "unzip", "-q", "ARCHIVE", "-d", "TARGET")

    contents = folder.contents
    assert isinstance(contents, FolderContents)
    assert {path.name for path in found.iterdir()} == {"top", NOTES.decode()}
    for entry in every(folder):
        place = found / portable_name.portable_path(entry.path)
        if entry.digest:
            assert place.read_bytes() == contents.body(entry)
            assert place.stat().st_mode & 0o777 == entry.mode & 0o777
    assert (found / "top/link").readlink().as_posix() == "../../etc/passwd"
