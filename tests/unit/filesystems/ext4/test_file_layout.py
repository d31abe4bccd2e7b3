from __future__ import annotations

import hashlib
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from holdstill.errors import VerificationError
from holdstill.filesystems.ext4 import copy_worker, file_layout
from holdstill.filesystems.ext4.copy_worker import CopyJob, CopyWorker, TargetSpan
from holdstill.filesystems.ext4.libext2fs import BlockRun, Extent
from holdstill.filesystems.writer_input import NoCounter
from holdstill.model.entries import Entry, EntryType
from support.contents import FolderContents, a_file

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from holdstill.filesystems.ext4.output import Output
    from holdstill.filesystems.ext4.volume import Ext4Volume

BLOCK = 1024
BLOCKS = 4096


class FakeVolume:
    """Blocks in memory, full of what was there before; free ones come in short runs."""

    def __init__(self, *, longest: int, has_extents: bool = True) -> None:
        self.geometry = SimpleNamespace(block_size=BLOCK, has_extents=has_extents)
        self.content = bytearray(b"\xee" * BLOCKS * BLOCK)
        self.taken: set[int] = set()
        self._longest, self._next = longest, 1

    def allocate(self, count: int) -> list[BlockRun]:
        runs = []
        while count:
            length = min(count, self._longest)
            runs.append(BlockRun(self._next, length))
            self.taken |= set(range(self._next, self._next + length))
            self._next += length + 1  # the next block belongs to somebody else
            count -= length
        return runs

    def place(self, block: int) -> int:
        return block * BLOCK

    def write(self, block: int, position: int, chunk: bytes | memoryview) -> None:
        start = block * BLOCK + position
        self._expect(start, len(chunk))
        self.content[start : start + len(chunk)] = chunk

    def clear(self, block: int, position: int, length: int) -> None:
        self.write(block, position, bytes(length))

    def _expect(self, start: int, length: int) -> None:
        touched = set(range(start // BLOCK, -(-(start + length) // BLOCK)))
        assert touched <= self.taken, "a block was written that was not allocated"

    def file(self, extents: list[Extent], size: int) -> bytes:
        """Put a file's bytes together; holes, and what was never written, are zeroes."""
        whole = bytearray(-(-size // BLOCK) * BLOCK)
        for extent in extents:
            if extent.is_written:
                start, end = extent.physical * BLOCK, (extent.physical + extent.length) * BLOCK
                whole[extent.logical * BLOCK : (extent.logical + extent.length) * BLOCK] = (
                    self.content[start:end]
                )
        assert not any(whole[size:]), "old bytes show behind the end"
        return bytes(whole[:size])


class PorterHere:
    """Carries contents to a volume in this process."""

    def __init__(self, volume: FakeVolume, contents: FolderContents) -> None:
        self._volume = volume
        self._carrier = copy_worker.JobRunner(contents, cast("Output", self))

    def submit(self, entry: Entry, spans: list[TargetSpan]) -> None:
        said = self._carrier.run([CopyJob(entry.size, spans, entry.digest)], [])
        if said.entry >= 0:
            raise copy_worker.content_error(entry, said, entry.size)

    def fill(self, position: int, length: int, put: Callable[[memoryview], None]) -> None:
        chunk = memoryview(bytearray(b"\xee" * length))
        put(chunk)
        self._volume.write(*divmod(position, BLOCK), chunk)


def copier_of(volume: FakeVolume, contents: FolderContents) -> file_layout.FileLayout:
    here = cast("CopyWorker", PorterHere(volume, contents))
    return file_layout.FileLayout(cast("Ext4Volume", volume), contents, here, NoCounter())


def copied(volume: FakeVolume, contents: FolderContents, entry: Entry) -> list[Extent]:
    return copier_of(volume, contents).copy(entry)


PIECES = st.lists(
    st.one_of(
        st.binary(min_size=1, max_size=3000),
        st.integers(1, 5000).map(bytes),
        st.integers(1, 5).map(lambda blocks: bytes(blocks * BLOCK)),
    ),
    min_size=1,
    max_size=12,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(pieces=PIECES, sparse=st.integers(0, 1), longest=st.sampled_from([1, 2, 7, 4000]))
def test_a_content_arrives_as_it_was(
    tmp_path: Path, pieces: list[bytes], sparse: int, longest: int
) -> None:
    content = b"".join(pieces)
    contents, volume = FolderContents(tmp_path / "contents"), FakeVolume(longest=longest)
    entry = a_file(contents, b"ledger", content)._replace(sparse=sparse)

    extents = copied(volume, contents, entry)

    assert volume.file(extents, len(content)) == content
    blocks = [content[at : at + BLOCK] for at in range(0, len(content), BLOCK)]
    needed = sum(1 for block in blocks if any(block)) if sparse else len(blocks)
    assert sum(extent.length for extent in extents) == needed


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(pieces=PIECES)
def test_the_runs_of_a_sparse_file_are_foretold(tmp_path: Path, pieces: list[bytes]) -> None:
    content = b"".join(pieces)
    contents, volume = FolderContents(tmp_path / "contents"), FakeVolume(longest=4000)
    entry = a_file(contents, b"ledger", content)._replace(sparse=1)
    with (contents.folder / entry.digest.hex()).open("rb") as file:
        foretold: list[Extent] = []
        for run in file_layout.filled_runs(file_layout.chunks(file.fileno(), len(content)), BLOCK):
            file_layout.add(foretold, run.first, run)

    extents = copied(volume, contents, entry)

    assert [(e.logical, e.length) for e in foretold] == [(e.logical, e.length) for e in extents]


def test_large_contents_arrive(tmp_path: Path) -> None:
    contents, volume = FolderContents(tmp_path / "contents"), FakeVolume(longest=700)
    content = bytes(range(256)) * 10_000

    extents = copied(volume, contents, a_file(contents, b"ledger", content))

    assert volume.file(extents, len(content)) == content


@pytest.mark.parametrize("sparse", [0, 1])
def test_a_content_of_another_length_is_refused(tmp_path: Path, sparse: int) -> None:
    contents, volume = FolderContents(tmp_path / "contents"), FakeVolume(longest=700)
    entry = a_file(contents, b"ledger", b"1.42 m" * 100_000)._replace(sparse=sparse)
    (contents.folder / entry.digest.hex()).write_bytes(b"1.42 m" * 99_999)

    with pytest.raises(VerificationError, match=r"/ledger is not.*599994 bytes instead of 600000"):
        copied(volume, contents, entry)


def test_a_content_that_is_a_hole_in_the_store_is_zeroes(tmp_path: Path) -> None:
    contents, volume = FolderContents(tmp_path / "contents"), FakeVolume(longest=4000)
    size = 3 * 1024 * 1024
    digest = hashlib.sha256(bytes(size)).digest()
    with (contents.folder / digest.hex()).open("wb") as file:
        file.truncate(size)
    entry = Entry(b"", b"hole", EntryType.FILE, size=size, digest=digest)

    extents = copied(volume, contents, entry)

    assert volume.file(extents, size) == bytes(size)


@pytest.mark.parametrize("has_extents", [True, False])
@pytest.mark.parametrize("head", [b"", b"SWAPSPACE2".rjust(4096, b"\0"), b"odd"])
def test_a_reserved_file_has_a_head_and_zeroes(*, has_extents: bool, head: bytes) -> None:
    volume, size = FakeVolume(longest=100, has_extents=has_extents), 300 * BLOCK
    extents = copier_of(volume, cast("FolderContents", None)).reserve(head, size)

    assert volume.file(extents, size) == head.ljust(size, b"\0")
    assert sum(extent.length for extent in extents) == 300
    if has_extents:
        unwritten = [extent for extent in extents if not extent.is_written]
        assert sum(extent.length for extent in unwritten) == 300 - -(-len(head) // BLOCK)


def test_neighbouring_runs_are_joined_up_to_what_an_extent_holds() -> None:
    extents = file_layout.merged(
        [BlockRun(10, 5), BlockRun(15, 5), BlockRun(30, 32_768), BlockRun(32_798, 4)]
    )

    assert extents == [Extent(0, 10, 10), Extent(10, 30, 32_768), Extent(32_778, 32_798, 4)]
