"""Contents hashed batch by batch: the right digests, in their order, and no more is read."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import VerificationError
from holdstill.filesystems import hash_worker
from holdstill.filesystems.ext4.ext4_reader import Ext4Reader
from holdstill.filesystems.file_tree import Content
from holdstill.filesystems.hash_worker import AtOnce, Hole, SourceSpan, UnhashedContent
from holdstill.model.entries import Entry, EntryType, Seen
from support import images
from support.memory import Memory

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.filesystems.hash_worker import Part

DISK = bytes(number * 7 % 251 for number in range(300_000))
PARTS: st.SearchStrategy[list[Part]] = st.lists(
    st.builds(SourceSpan, st.integers(0, 200_000), st.integers(1, 100_000))
    | st.builds(Hole, st.integers(0, 3 << 20))
    | st.binary(max_size=5),
    max_size=4,
)


def content_of(parts: list[Part]) -> bytes:
    """Join parts the simple way."""
    joined = b""
    for part in parts:
        match part:
            case SourceSpan(offset, length):
                joined += DISK[offset : offset + length]
            case Hole(length):
                joined += bytes(length)
            case bytes():
                joined += part
    return joined


def file(number: int, *, names: int = 1, name: bytes = b"") -> Entry:
    """Return an entry without digest."""
    return Entry(
        b"", name or b"%06d" % number, EntryType.FILE, size=9, link=number if names > 1 else 0,
        seen=Seen(number, 0),
    )  # fmt: skip


@given(files=st.lists(PARTS, max_size=6))
def test_every_file_gets_the_digest_of_its_own_parts(files: list[list[Part]]) -> None:
    unread: dict[int, UnhashedContent] = {}

    def drawn() -> Iterator[Entry]:
        for number, parts in enumerate(files, start=1):
            unread[number] = UnhashedContent(parts, 1)
            yield file(number)

    found = list(hash_worker.filled_in(drawn(), unread, AtOnce(Memory.of(DISK))))

    assert [entry.name for entry in found] == [b"%06d" % n for n in range(1, len(files) + 1)]
    assert [entry.digest for entry in found] == [
        hashlib.sha256(content_of(parts)).digest() for parts in files
    ]
    assert not unread


def test_neighbours_are_read_at_once_and_the_rest_of_the_disk_is_not() -> None:
    asked: list[tuple[int, int]] = []

    class Noting(Memory):
        def read(self, offset: int, length: int) -> bytes:
            asked.append((offset, length))
            return super().read(offset, length)

    unread = {n: UnhashedContent([SourceSpan(n * 4096, 1000)], 1) for n in range(1, 20)}
    unread[20] = UnhashedContent([SourceSpan(290_000, 1000)], 1)

    entries = [file(n) for n in range(1, 21)]
    list(hash_worker.filled_in(entries, unread, AtOnce(Noting.of(DISK))))

    assert asked == [(4096, 18 * 4096 + 1000), (290_000, 1000)]


def test_names_of_one_file_share_its_digest_across_batches() -> None:
    far = [file(number) for number in range(10, 10 + 2 * hash_worker.BATCH_ENTRIES)]
    names = [file(1, names=3, name=name) for name in (b"a", b"b", b"c")]
    unread = {
        number: UnhashedContent([SourceSpan(number, 9)], 1) for number in range(10, 10 + len(far))
    }
    unread[1] = UnhashedContent([SourceSpan(5, 9)], 3)

    drawn = [names[0], names[1], *far, names[2]]
    found = list(hash_worker.filled_in(drawn, unread, AtOnce(Memory.of(DISK))))

    shared = hashlib.sha256(DISK[5:14]).digest()
    assert [entry.digest for entry in found if entry.link] == [shared] * 3


def test_a_source_that_ends_early_is_told() -> None:
    unread = {1: UnhashedContent([SourceSpan(299_999, 9)], 1)}

    with pytest.raises(VerificationError, match="cut off"):
        list(hash_worker.filled_in([file(1)], unread, AtOnce(Memory.of(DISK))))


@pytest.mark.parametrize("name", ["ext2", "ext4"])
def test_a_hasher_finds_what_is_found_without_one(name: str) -> None:
    volume = Memory.of(images.load(name))
    alone = list(Ext4Reader(volume).entries(Content.HASHED))

    found = list(Ext4Reader(volume).entries(Content.HASHED, hasher=AtOnce(volume)))

    assert any(entry.link for entry in alone)
    assert found == alone
