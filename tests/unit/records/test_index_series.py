"""One file that becomes one index after another: what is a hole in the next one is emptied."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import DamagedContentError, SecurityError
from holdstill.model.entries import Entry, EntryType
from holdstill.model.layout import Disk, TableLabel
from holdstill.model.names import BoardName, CaptureName
from holdstill.model.pieces import Part
from holdstill.records import index_file, index_series
from holdstill.records.index_series import IndexSeries
from support import cards, descriptors, keeping

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.model.manifest import Manifest

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


@dataclass(frozen=True)
class Capture:
    """One capture, its contents in a folder by digest; notes what is opened."""

    folder: Path
    made: Manifest
    opened: list[bytes]
    name = CaptureName(1, "20261125T021503Z")
    board = BoardName("pier-3")

    def manifest(self) -> Manifest:
        return self.made

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        yield from parts

    def open(self, digest: bytes) -> int:
        self.opened.append(digest)
        return os.open(self.folder / digest.hex(), os.O_RDONLY)


def capture(folder: Path, body: bytes, *, size: int | None = None) -> Capture:
    for name, content in keeping.pieces_of(body).items():
        (folder / name).write_bytes(content)
    attachment = keeping.attachment("index.sqlite", body)
    manifest = msgspec.structs.replace(
        cards.manifest_of(Disk(size=64 << 20, label=TableLabel.DOS), {}),
        index=msgspec.structs.replace(attachment, size=len(body) if size is None else size),
    )
    return Capture(folder, manifest, [])


def index_of(folder: Path, count: int, *, blank: bool = False) -> bytes:
    """Return an index of so many files; blank, what they left is zeros, so that holes come."""
    path = folder / "made.sqlite"
    with index_file.created(path) as index:
        index._db.execute("PRAGMA secure_delete = ON")
        index._db.execute("PRAGMA auto_vacuum = 0")
        names = [b"%06d" % number for number in range(5000 if blank else count)]
        index.put_all(2, [Entry(b"", name, EntryType.FIFO) for name in names], seq=1)
        index.commit()
        for name in names[count:]:
            index.remove(2, name)
    return path.read_bytes()


def paths_of(series: IndexSeries, made: Capture) -> list[bytes]:
    with series.opened(made) as index:
        return [entry.name for entry in index.entries(2)]


def test_one_file_becomes_each_index_whatever_was_there_before(tmp_path: Path) -> None:
    path = tmp_path / "series"
    path.write_bytes(b"left over" * 100_000)
    series = IndexSeries(path)
    before = descriptors.count()
    bodies = [index_of(tmp_path, 5000), index_of(tmp_path, 10), index_of(tmp_path, 10, blank=True),
              index_of(tmp_path, 4990)]  # fmt: skip
    assert any(not part.digest for part in keeping.listed(bodies[2]).parts())  # it has a hole

    for body, count in zip(bodies, (5000, 10, 10, 4990), strict=True):
        found = paths_of(series, capture(tmp_path, body))

        assert found == [b"%06d" % number for number in range(count)]
        assert path.read_bytes() == body
    assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0o044  # as it was
    assert descriptors.count() == before


def test_a_new_file_is_its_owners(tmp_path: Path) -> None:
    paths_of(IndexSeries(tmp_path / "series"), capture(tmp_path, index_of(tmp_path, 3)))

    assert stat.S_IMODE((tmp_path / "series").stat().st_mode) == 0o600


def test_only_what_changed_is_read_again(tmp_path: Path) -> None:
    old = index_of(tmp_path, 5000)
    new = bytearray(old)
    new[-1] ^= 1  # of the last piece
    first, second = capture(tmp_path, old), capture(tmp_path, bytes(new))
    series = IndexSeries(tmp_path / "series")

    paths_of(series, first)
    read_first = series.read
    with series.opened(second):
        pass

    assert read_first == len(old)
    *_, last = keeping.listed(old).parts()
    assert series.read == len(old) + last.length
    assert len(second.opened) == 2  # its list and the piece
    assert (tmp_path / "series").read_bytes() == bytes(new)


def test_what_failed_half_way_is_begun_anew(tmp_path: Path) -> None:
    old, new = index_of(tmp_path, 5000), index_of(tmp_path, 10)
    series, first, second = (
        IndexSeries(tmp_path / "series"),
        *(capture(tmp_path, body) for body in (old, new)),
    )
    paths_of(series, first)
    read = series.read
    (tmp_path / next(keeping.listed(new).pieces())[0].hex()).write_bytes(b"damaged")

    with pytest.raises(DamagedContentError):
        paths_of(series, second)
    paths_of(series, first)

    assert series.read == 2 * read
    assert (tmp_path / "series").read_bytes() == old


def test_an_index_that_is_larger_than_one_may_be_is_not_fetched(tmp_path: Path) -> None:
    larger = capture(tmp_path, b"x", size=(4 << 30) + 1)

    with pytest.raises(SecurityError, match="larger than one may be"):
        paths_of(IndexSeries(tmp_path / "series"), larger)

    assert larger.opened == []
    assert not (tmp_path / "series").exists()
