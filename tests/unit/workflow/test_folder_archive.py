"""Folders as archives, read back by Python's own tarfile and zipfile."""

from __future__ import annotations

import io
import stat
import tarfile
import tracemalloc
import zipfile
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import SecurityError, VerificationError
from holdstill.model import portable_name
from holdstill.model.entries import Entry, EntryType
from holdstill.workflow import folder_archive
from holdstill.workflow.folder_archive import NOTES, ArchiveFormat, Folder
from support import archive_tree
from support import contents as making
from support.archive_tree import HOSTILE
from support.contents import FolderContents

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.records.index_queries import Index


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Folder]:
    yield from archive_tree.folder(tmp_path)


def packed(folder: Folder, wanted: ArchiveFormat) -> io.BytesIO:
    return io.BytesIO(b"".join(folder_archive.packed(folder, wanted)))


def of_tar(folder: Folder) -> dict[bytes, tuple[tarfile.TarInfo, bytes]]:
    found = {}
    with tarfile.open(fileobj=packed(folder, ArchiveFormat.TAR), errors="surrogateescape") as tar:
        for info in tar:
            file = tar.extractfile(info) if info.isreg() else None
            found[info.name.encode(errors="surrogateescape")] = info, file.read() if file else b""
    return found


def test_a_tar_archive_has_all_that_it_can_hold(folder: Folder) -> None:
    found = of_tar(folder)

    for name in HOSTILE:
        assert found[b"top/" + name][1] == b"of " + name
    assert found[b"top/in/large"][1] == _body(folder, b"top/in/large")
    assert found[b"top/in/first"][0].isreg()
    assert found[b"top/in/second"][0].islnk()
    assert found[b"top/in/second"][0].linkname == "top/in/first"
    assert found[b"top/link"][0].linkname == "../../etc/passwd"
    assert found[b"top/far"][0].linkname.endswith("y\udcff")
    disk = found[b"top/disk"][0]
    assert (disk.isblk(), disk.devmajor, disk.devminor) == (True, 179, 300)
    assert found[b"top/pipe"][0].isfifo()
    owned = found[b"top/owned"][0]
    assert (owned.uid, owned.gid, owned.mode) == (3_000_000_000, 7, 0o4711)
    assert owned.pax_headers["SCHILY.xattr.user.a"] == "b"
    assert owned.pax_headers["SCHILY.xattr.user.t%3D1%25"] == "\0\udcffbin"
    assert found[b"top/old"][0].pax_headers["mtime"] == "-1.500000000"
    assert found[b"top/late"][0].pax_headers["mtime"] == "5000000000.123456789"


def _body(folder: Folder, path: bytes) -> bytes:
    with folder.open_index() as index:
        entry = index.get(2, path)
    assert entry is not None
    assert isinstance(folder.contents, FolderContents)
    return folder.contents.body(entry)


def test_holes_are_not_sent(folder: Folder) -> None:
    size = len(packed(folder, ArchiveFormat.TAR).getvalue())

    assert size < 400_000 < archive_tree.LARGE


def test_what_a_tar_archive_lacks_is_told_in_it(folder: Folder) -> None:
    notes = of_tar(folder)[NOTES][1].decode()

    assert "Sockets, which a tar archive does not hold:\n  /top/sock\n" in notes
    assert "not in the capture (swap):\n  /top/swap\n" in notes
    assert "disk" not in notes


def test_nothing_in_an_archive_leads_out_of_its_folder(folder: Folder) -> None:
    names = [*of_tar(folder)]
    with zipfile.ZipFile(packed(folder, ArchiveFormat.ZIP)) as archive:
        names += [name.encode() for name in archive.namelist()]

    for name in names:
        assert name == NOTES or name.split(b"/")[0] == b"top"
        assert not {b"..", b"."} & {*name.split(b"/")}
    assert b"top0/aside" not in names


def test_a_zip_archive_has_names_that_any_system_takes(folder: Folder) -> None:
    with zipfile.ZipFile(packed(folder, ArchiveFormat.ZIP)) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
        for name in HOSTILE:
            assert archive.read(f"top/{portable_name.portable(name)}") == b"of " + name
        large = archive.read("top/in/large")
        link = archive.getinfo("top/link")
        assert stat.S_ISLNK(link.external_attr >> 16)
        assert archive.read(link) == b"../../etc/passwd"
        assert archive.getinfo("top/owned").external_attr >> 16 == stat.S_IFREG | 0o4711
        assert archive.getinfo("top/in/").is_dir()
        notes = archive.read(NOTES.decode()).decode()

    assert large == _body(folder, b"top/in/large")
    assert len(names) == len({*names})
    assert not any("\\" in name or "\n" in name or "\u202e" in name for name in names)
    for told in (
        "/top/disk (block)", "/top/pipe (fifo)", "/top/sock (socket)", "/top/swap",
        "/top/in/second", "/top/owned", "..\\\\..\\\\evil -> ..%5C..%5Cevil",
    ):  # fmt: skip
        assert told.replace("\\\\", "\\") in notes, told


@pytest.mark.parametrize("wanted", ArchiveFormat)
def test_a_damaged_file_cuts_an_archive_off(folder: Folder, wanted: ArchiveFormat) -> None:
    with folder.open_index() as index:
        entry = index.get(2, b"top/in/first")
    assert entry is not None
    assert isinstance(folder.contents, FolderContents)
    (folder.contents.folder / entry.digest.hex()).write_bytes(b"SHARED")
    whole: list[bytes] = []

    with pytest.raises(VerificationError, match="top/in/first"):
        _take(folder_archive.packed(folder, wanted), whole)

    assert b"SHARED" not in b"".join(whole)
    with pytest.raises((zipfile.BadZipFile, tarfile.ReadError)):
        _read_all(b"".join(whole), wanted)


def _take(parts: Iterator[bytes], found: list[bytes]) -> None:
    """Keep also what came before an error."""
    for part in parts:
        found.append(part)  # noqa: PERF402


def _read_all(data: bytes, wanted: ArchiveFormat) -> None:
    if wanted is ArchiveFormat.ZIP:
        zipfile.ZipFile(io.BytesIO(data))
        return
    with tarfile.open(fileobj=io.BytesIO(data)) as tar:
        last = [info for info in tar if info.isreg()][-1]
        file = tar.extractfile(last)
        assert file is not None
        file.read()


def test_a_file_inside_of_a_symlink_is_refused(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    listed = making.in_order(
        [
            making.a_folder(b""),
            making.a_folder(b"top"),
            Entry(b"top", b"out", EntryType.SYMLINK, target=b"/etc"),
            making.a_file(contents, b"top/out/passwd", b"mine"),
        ]
    )

    for folder in archive_tree.folder_of(tmp_path, contents, listed):
        for wanted in ArchiveFormat:
            with pytest.raises(SecurityError, match="lies in no folder"):
                packed(folder, wanted)


@pytest.mark.parametrize("wanted", ArchiveFormat)
def test_the_notes_take_no_name_of_the_folder(tmp_path: Path, wanted: ArchiveFormat) -> None:
    contents = FolderContents(tmp_path / "contents")
    listed = [making.a_folder(b""), making.a_folder(b"top"),
              Entry(b"top", b"sock", EntryType.SOCKET)]  # fmt: skip

    for held in archive_tree.folder_of(tmp_path, contents, listed):
        folder = Folder(contents, held.open_index, 2, held.top, NOTES)
        data = b"".join(folder_archive.packed(folder, wanted))

        assert b"1-" + NOTES in data


@pytest.mark.parametrize("wanted", ArchiveFormat)
def test_the_index_is_open_for_moments_only(folder: Folder, wanted: ArchiveFormat) -> None:
    now_open = []

    @contextmanager
    def opening() -> Iterator[Index]:
        with folder.open_index() as index:
            now_open.append(index)
            yield index
            now_open.pop()

    for _ in folder_archive.packed(replace(folder, open_index=opening), wanted):
        assert now_open == []


def test_a_folder_of_many_batches_has_each_entry_once(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    places = [b"top", b"top/a", b"top/a/b", b"top/a0", b"top/c"]
    listed = [making.a_folder(b""), *map(making.a_folder, places)]
    listed += [Entry(place, b"%03d" % n, EntryType.FIFO) for place in places for n in range(130)]
    listed += [Entry(b"top/c", b"d" * 200 + b"%03d" % n, EntryType.SYMLINK, target=b"t" * 4000)
               for n in range(20)]  # fmt: skip
    beside = [making.a_folder(b"top0"), Entry(b"top0", b"x", EntryType.FIFO)]

    for folder in archive_tree.folder_of(tmp_path, contents, making.in_order(listed + beside)):
        found = [entry.path for entry, _ in folder.entries(with_links=True)]

        assert len(found) == len(set(found))
        assert set(found) == {entry.path for entry in listed} - {b""}


@pytest.mark.parametrize("wanted", ArchiveFormat)
def test_memory_does_not_grow_with_the_folder(tmp_path: Path, wanted: ArchiveFormat) -> None:
    contents = FolderContents(tmp_path / "contents")
    body = making.a_file(contents, b"top/x", b"same")
    listed = [making.a_folder(b""), making.a_folder(b"top")]
    listed += [body._replace(name=b"%06d" % n, link=1 + n % 9) for n in range(6_000)]

    for folder in archive_tree.folder_of(tmp_path, contents, listed):
        tracemalloc.start()
        try:
            for _ in folder_archive.packed(folder, wanted):
                pass
            _, peak = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()

        assert peak < 2 << 20
