import hashlib
import os
from collections.abc import Sequence
from pathlib import Path

import pytest

from holdstill.errors import LinkError
from holdstill.model.entries import Entry, EntryType
from holdstill.model.names import Digest
from holdstill.workflow.prefetch import PrefetchCache


class Far:
    """The other end: hands out what it has, and notes how much lay here at most."""

    def __init__(self, bodies: Sequence[bytes], folder: Path) -> None:
        self.bodies = {hashlib.sha256(body).hexdigest(): body for body in bodies}
        self.folder = folder
        self.calls: list[int] = []
        self.most = 0

    def __call__(self, digests: Sequence[Digest], folder: Path) -> None:
        self.calls.append(len(digests))
        for digest in digests:
            if digest in self.bodies:
                (folder / digest).write_bytes(self.bodies[digest])
        self.most = max(self.most, sum(x.stat().st_size for x in folder.rglob("*") if x.is_file()))


def entry(number: int, body: bytes, *, link: int = 0) -> Entry:
    return Entry(
        b"", b"%04d" % number, EntryType.FILE, 0o644, 0, 0, len(body), 0, link, 0, 0, 0, b"",
        hashlib.sha256(body).digest(),
    )  # fmt: skip


def body_of(cache: PrefetchCache, wanted: Entry) -> bytes:
    handle = cache.open(wanted.digest)
    with os.fdopen(handle, "rb") as content:
        return content.read()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


def test_contents_come_in_batches_and_never_lie_here_above_the_limit(folder: Path) -> None:
    bodies = [os.urandom(1000) for _ in range(100)]
    far = Far(bodies, folder)
    cache = PrefetchCache(folder, far, limit=20_000)
    entries = [entry(number, body) for number, body in enumerate(bodies)]

    got = [body_of(cache, passed) for passed in cache.prefetch(entries)]

    assert got == bodies
    assert far.calls == [10] * 10
    assert far.most == cache.peak == 20_000


def test_a_content_larger_than_the_limit_comes_alone(folder: Path) -> None:
    bodies = [b"a" * 100, b"b" * 5000, b"c" * 100]
    far = Far(bodies, folder)
    cache = PrefetchCache(folder, far, limit=1000)
    entries = [entry(number, body) for number, body in enumerate(bodies)]

    got = [body_of(cache, passed) for passed in cache.prefetch(entries)]

    assert got == bodies
    assert far.calls == [1, 1, 1]
    assert far.most == 5000


def test_names_of_one_inode_and_of_one_content_are_fetched_once(folder: Path) -> None:
    body, other = b"x" * 900, b"y" * 900
    far = Far([body, other], folder)
    cache = PrefetchCache(folder, far, limit=2000)
    entries = [entry(1, body, link=7), entry(2, other), entry(3, body, link=7), entry(4, other)]

    passed = list(cache.prefetch(entries))

    assert passed == entries
    assert cache.fetched == 2


def test_a_content_out_of_turn_is_fetched_and_leaves_nothing(folder: Path) -> None:
    far = Far([b"small"], folder)
    cache = PrefetchCache(folder, far)

    got = body_of(cache, entry(1, b"small"))

    assert got == b"small"
    assert list(folder.iterdir()) == []


def test_only_what_is_wanted_is_fetched(folder: Path) -> None:
    bodies = [b"one", b"two"]
    cache = PrefetchCache(folder, Far(bodies, folder))
    entries = [entry(number, body) for number, body in enumerate(bodies)]

    passed = list(cache.prefetch(entries, lambda item: item.name == b"0001"))

    assert passed == entries
    assert [path.read_bytes() for path in folder.iterdir()] == [b"two"]


def test_what_the_other_end_did_not_send_is_the_links_fault(folder: Path) -> None:
    cache = PrefetchCache(folder, Far([], folder))

    with pytest.raises(LinkError, match="did not send"):
        cache.open(bytes(32))


def test_a_symlink_that_the_other_end_sent_is_not_followed(folder: Path) -> None:
    secret = folder / "secret"
    secret.write_bytes(b"mine")
    target = folder / "here"
    target.mkdir()

    def evil(digests: Sequence[Digest], folder: Path) -> None:
        (folder / digests[0]).symlink_to(secret)

    with pytest.raises(LinkError):
        PrefetchCache(target, evil).open(bytes(32))
