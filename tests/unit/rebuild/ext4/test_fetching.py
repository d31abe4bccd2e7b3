from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from holdstill.errors import HoldstillError, LinkError, TargetFailedError, VerificationError
from holdstill.model.entries import Entry, EntryType
from holdstill.rebuild.ext4 import fetching
from support.contents import FolderContents, a_file, a_folder

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(sizes=st.lists(st.sampled_from([0, 1, 4096, 70_000, 300_000, 1_500_000]), max_size=60))
def test_entries_keep_their_order_and_small_ones_have_their_content(
    tmp_path: Path, sizes: list[int]
) -> None:
    contents = FolderContents(tmp_path / "contents")
    entries = [
        a_file(contents, b"%03d" % number, (b"%03d" % number * size)[:size])
        for number, size in enumerate(sizes)
    ]

    with ThreadPoolExecutor(3) as threads:
        found = list(fetching.ahead(entries, contents, threads))

    assert [fetched.entry for fetched in found] == entries
    for entry, content in found:
        if 0 < entry.size <= fetching.SMALL:
            assert isinstance(content, bytes)
            assert content == (entry.name * entry.size)[: entry.size]
        else:
            assert content is None


def test_what_is_no_plain_small_file_is_not_fetched(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    file = a_file(contents, b"ledger", b"1.42 m")
    entries = [
        a_folder(b"log"),
        file._replace(link=7),
        file._replace(sparse=1),
        Entry(b"", b"fifo", EntryType.FIFO),
    ]

    with ThreadPoolExecutor(1) as threads:
        found = list(fetching.ahead(entries, contents, threads))

    assert [content for _, content in found] == [None] * 4


class Drawn:
    """Counts how far a stream was drawn."""

    def __init__(self, entries: list[Entry]) -> None:
        self.entries = entries
        self.count = 0

    def __iter__(self) -> Iterator[Entry]:
        for entry in self.entries:
            self.count += 1
            yield entry


@pytest.mark.parametrize(
    ("size", "most"),
    [(1, fetching.BATCH_ENTRIES * (fetching.BATCHES_AHEAD + 1)), (3 << 20, 2), (1 << 30, 1)],
)
def test_only_so_much_is_drawn_ahead(tmp_path: Path, size: int, most: int) -> None:
    contents = FolderContents(tmp_path / "contents")
    small = a_file(contents, b"ledger", b"x")
    drawn = Drawn([small._replace(size=size, link=int(size > 1)) for _ in range(2000)])

    with ThreadPoolExecutor(1) as threads:
        stream = fetching.ahead(drawn, contents, threads)
        furthest = 0
        for number, _ in enumerate(stream):
            furthest = max(furthest, drawn.count - number)

    assert furthest <= most


def test_an_error_waits_until_it_is_its_entrys_turn(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    good, bad = a_file(contents, b"a", b"1.42 m"), a_file(contents, b"b", b"1.43 m")
    (contents.folder / bad.digest.hex()).write_bytes(b"1.44 m")
    gone = bad._replace(name=b"c", digest=b"\0" * 32)

    with ThreadPoolExecutor(2) as threads:
        found = list(fetching.ahead([good, bad, gone], contents, threads))

    kinds = [type(content) for _, content in found]
    assert kinds == [bytes, VerificationError, TargetFailedError]


def test_an_error_of_the_stores_own_is_kept_as_it_is(tmp_path: Path) -> None:
    class Far:
        def open(self, digest: bytes) -> int:
            raise LinkError("the line is down")

    entry = a_file(FolderContents(tmp_path / "contents"), b"a", b"1.42 m")

    with ThreadPoolExecutor(1) as threads:
        ((_, content),) = fetching.ahead([entry], Far(), threads)

    assert isinstance(content, HoldstillError)
    assert str(content) == "the line is down"


def test_contents_are_fetched_by_several_threads_at_once(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    entries = [a_file(contents, b"%04d" % n, b"%04d" % n) for n in range(200)]
    both_are_in = threading.Barrier(2, timeout=10)

    class Slow:
        first_two = [True, True]  # noqa: RUF012  one for each who waits

        def open(self, digest: bytes) -> int:
            if self.first_two:
                self.first_two.pop()
                both_are_in.wait()
            return contents.open(digest)

    with ThreadPoolExecutor(2) as threads:
        found = list(fetching.ahead(entries, Slow(), threads))

    assert len(found) == 200
