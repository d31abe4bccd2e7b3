"""Work in another process: contents brought to their places and hashed there; and its death."""

from __future__ import annotations

import hashlib
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import HoldstillError, TargetFailedError, VerificationError
from holdstill.filesystems import hash_worker
from holdstill.filesystems.ext4 import copy_worker
from holdstill.filesystems.ext4.copy_worker import TargetSpan as Place
from holdstill.filesystems.hash_worker import AtOnce, Hole, SourceSpan
from holdstill.filesystems.writer_input import LocalContents
from holdstill.model import pieces
from holdstill.system import byte_source, files, worker_process
from support import programs
from support.contents import FolderContents, a_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from holdstill.filesystems.hash_worker import Part
    from holdstill.model.entries import Entry
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.system.worker_process import WorkerPipe

BLOCK = 4096
SIZES = (1, BLOCK, 70_000, 3 << 20, (17 << 20) + 5)


class Count:
    """Adds up what it is told."""

    def __init__(self) -> None:
        self.total = 0

    def advance(self, count: int) -> None:
        self.total += count


@pytest.fixture
def contents(tmp_path: Path) -> FolderContents:
    return FolderContents(tmp_path / "contents")


@pytest.fixture
def target(tmp_path: Path) -> Path:
    """A target that holds something else already."""
    path = tmp_path / "target"
    path.write_bytes(b"\xee" * (64 << 20))
    return path


def children() -> set[str]:
    """Return the pids of this process's children, zombies included."""
    found = Path(f"/proc/self/task/{os.getpid()}/children").read_text(encoding="ascii")
    return set(found.split())


def handles() -> int:
    """Return how many descriptors are open."""
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


@pytest.fixture(autouse=True)
def nothing_left() -> Iterator[None]:
    before = children(), handles()
    yield
    assert (children(), handles()) == before


def padded(size: int) -> int:
    return -(-size // BLOCK) * BLOCK


def bring(
    target: Path, contents: ContentSource, entries: list[Entry], *, flags: int = os.O_RDWR
) -> Count:
    """Bring contents to places one behind the other, each in two pieces if it has two blocks."""
    counted = Count()
    position = 0
    with (
        files.opened(target, flags) as handle,
        copy_worker.started(handle, target, contents, counted) as carrier,
    ):
        for entry in entries:
            first = min(BLOCK, padded(entry.size))
            spans = [Place(position, first), Place(position + first, padded(entry.size) - first)]
            carrier.submit(entry, [s for s in spans if s.length])
            position += padded(entry.size)
        carrier.finish()
    return counted


def as_they_are(contents: ContentSource) -> ContentSource:
    return contents


BOTH_WAYS = pytest.mark.parametrize(
    "seen", [as_they_are, LocalContents], ids=["handed over", "opened there"]
)


@BOTH_WAYS
def test_contents_come_to_their_places(
    target: Path, contents: FolderContents, seen: Callable[[ContentSource], ContentSource]
) -> None:
    chance = random.Random(3)  # noqa: S311  repeatable, not secret
    many = [*SIZES, *(chance.randrange(1, 9000) for _ in range(500))]
    bodies = [chance.randbytes(size) for size in many]
    bodies += [bytes(300_000), b"\0" * 70_000 + b"1.42 m"]
    bodies.append(
        b"1.42 m" + bytes(20 << 20) + b"1.43 m"
    )  # a run of holes counts as progress, too
    entries = [a_file(contents, b"%04d" % n, body) for n, body in enumerate(bodies)]

    counted = bring(target, seen(contents), entries)

    expected = b"".join(body.ljust(padded(len(body)), b"\0") for body in bodies)
    assert target.read_bytes()[: len(expected)] == expected
    assert target.read_bytes()[len(expected) :].strip(b"\xee") == b""
    assert counted.total == sum(map(len, bodies))


@BOTH_WAYS
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(
    "spoilt", [lambda body: body[:-1], lambda body: body + b"!"], ids=["shorter", "longer"]
)
def test_a_content_of_another_length_is_named(
    target: Path,
    contents: FolderContents,
    size: int,
    spoilt: object,
    seen: Callable[[ContentSource], ContentSource],
) -> None:
    entries = [a_file(contents, b"%02d" % n, b"%02d" % n * 99) for n in range(20)]
    bad = a_file(contents, b"ledger", bytes(range(1, 256)) * (size // 255 + 1))
    path = contents.folder / bad.digest.hex()
    if pieces.is_pieced(bad.size):
        *_, (piece, _) = pieces.decode(path.read_bytes(), "it").pieces()
        path = contents.folder / piece.hex()
    path.write_bytes(spoilt(path.read_bytes()))  # type: ignore[operator]

    with pytest.raises(VerificationError, match=r"/ledger is not.*bytes instead of"):
        bring(target, seen(contents), [*entries, bad, *entries])


class Lacking:
    """A store in which one content is not to be had."""

    def __init__(self, contents: ContentSource, lost: bytes, error: Exception) -> None:
        self._contents, self._lost, self._error = contents, lost, error

    def open(self, digest: bytes) -> int:
        """Return a descriptor of a content, unless it is the lost one."""
        if digest == self._lost:
            raise self._error
        return self._contents.open(digest)

    def prefetch_pieces(self, parts: Iterable[pieces.Part]) -> Iterator[pieces.Part]:
        """Yield the same parts."""
        yield from parts


@BOTH_WAYS
@pytest.mark.parametrize(
    ("error", "said"),
    [
        (VerificationError("the store lacks it"), "content of /ledger is not.*the store lacks it"),
        (OSError(5, "Input/output error"), "cannot read the content of /ledger: Input/output"),
    ],
)
def test_a_content_that_is_not_to_be_had_is_named(
    target: Path,
    contents: FolderContents,
    error: Exception,
    said: str,
    seen: Callable[[ContentSource], ContentSource],
) -> None:
    entries = [a_file(contents, b"%02d" % n, b"%02d" % n * 99) for n in range(100)]
    bad = a_file(contents, b"ledger", b"1.42 m")

    with pytest.raises(HoldstillError, match=said):
        bring(target, seen(Lacking(contents, bad.digest, error)), [*entries, bad, *entries])


def test_a_target_that_cannot_be_written_is_told(target: Path, contents: FolderContents) -> None:
    entry = a_file(contents, b"ledger", b"1.42 m" * 50_000)
    odd = 1  # a piece of an odd place goes through the descriptor, and that may only read

    def attempt() -> None:
        with (
            files.opened(target, os.O_RDONLY) as handle,
            copy_worker.started(handle, target, contents, Count()) as carrier,
        ):
            carrier.submit(entry, [Place(odd, padded(entry.size))])
            carrier.finish()

    with pytest.raises(TargetFailedError, match="cannot write to the target at byte"):
        attempt()


def test_a_porter_that_is_killed_is_missed(target: Path, contents: FolderContents) -> None:
    entry = a_file(contents, b"ledger", b"1.42 m" * 50_000)
    before = children()

    def attempt() -> None:
        with (
            files.opened(target, os.O_RDWR) as handle,
            copy_worker.started(handle, target, contents, Count()) as carrier,
        ):
            (pid,) = children() - before
            os.kill(int(pid), signal.SIGKILL)
            for _ in range(1000):
                carrier.submit(entry, [Place(0, padded(entry.size))])
            carrier.finish()

    with pytest.raises(TargetFailedError, match="ended before its work was done"):
        attempt()


@BOTH_WAYS
def test_a_content_that_the_index_does_not_name_is_told(
    target: Path, contents: FolderContents, seen: Callable[[ContentSource], ContentSource]
) -> None:
    entry = a_file(contents, b"ledger", b"1.42 m")._replace(digest=b"")

    with pytest.raises(HoldstillError, match="content of /ledger"):
        bring(target, seen(contents), [entry])


ORPHAN = """
import os, time
from holdstill.system import worker_process
with worker_process.started(lambda link: time.sleep(600)):
    print(open(f"/proc/self/task/{os.getpid()}/children").read(), flush=True)
    time.sleep(600)
"""


def runs(pid: int) -> bool:
    """Whether a process is there, and not one that waits for init to take note of its end."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="ascii")
    except FileNotFoundError:
        return False
    return stat.rpartition(")")[2].split()[0] != "Z"  # proc_pid_stat(5), field 3


def wait_until_gone(pid: int) -> None:
    end = time.monotonic() + 30
    while runs(pid):
        assert time.monotonic() < end, "it is still there"
        time.sleep(0.05)


def test_it_does_not_outlive_the_process_that_made_it() -> None:
    with subprocess.Popen([sys.executable, "-c", ORPHAN], stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        assert runs(pid)
        parent.kill()

    wait_until_gone(pid)


PARENT_IS_GONE = """
import os, time
from holdstill.system import landlock
reading, writing = os.pipe()
parent = os.getpid()
if os.fork():
    os._exit(0)
os.close(writing)
os.read(reading, 1)  # until the parent is gone
print(os.getpid(), flush=True)
landlock.die_with_parent(parent)
time.sleep(600)
"""


def test_a_process_whose_parent_is_gone_already_does_not_outlive_it_either() -> None:
    said = programs.run(sys.executable, "-c", PARENT_IS_GONE)

    wait_until_gone(int(said))


def test_signals_for_the_group_are_left_to_the_process_that_made_it() -> None:
    def echo(link: WorkerPipe) -> None:
        while True:
            link.send(link.receive(str)[0])

    before = children()
    with worker_process.started(echo) as link:
        link.send("first")
        assert link.receive(str)[0] == "first"
        (pid,) = children() - before
        os.kill(int(pid), signal.SIGINT)
        os.kill(int(pid), signal.SIGTERM)
        link.send("second")
        assert link.receive(str)[0] == "second"


PARTS: list[list[Part]] = [
    [SourceSpan(0, 5)],
    [SourceSpan(1, 70_000), Hole(3 << 20), SourceSpan(100, 9)],
    [b"inline"],
    [],
    [Hole(1), b"", SourceSpan(5 << 20, 3 << 20)],
]


def test_contents_are_hashed_beside_as_here(tmp_path: Path) -> None:
    path = tmp_path / "card"
    path.write_bytes(random.Random(4).randbytes(9 << 20))  # noqa: S311
    told = Count()
    with (
        byte_source.opened(path) as whole,
        byte_source.uncached(path, whole.window(0, whole.size)) as part,
        hash_worker.hash_worker(part, told.advance) as hasher,
    ):
        here = AtOnce(part)
        for one in (hasher, here):
            one.begin(PARTS)
            one.begin(PARTS[:1])

        assert [hasher.result(), hasher.result()] == [here.result(), here.result()]
    assert told.total == 2 * 5 + 70_000 + 9 + (3 << 20)


def test_a_source_that_ends_early_is_told_from_beside(tmp_path: Path) -> None:
    path = tmp_path / "card"
    path.write_bytes(b"1.42 m")
    with byte_source.opened(path) as whole, hash_worker.hash_worker(whole) as hasher:
        hasher.begin([[SourceSpan(0, 7)]])

        with pytest.raises(VerificationError, match="cut off"):
            hasher.result()


def test_a_hash_beside_is_that_of_the_library(tmp_path: Path) -> None:
    path = tmp_path / "card"
    path.write_bytes(b"abc")
    with byte_source.opened(path) as whole, hash_worker.hash_worker(whole) as hasher:
        hasher.begin([[SourceSpan(0, 3)]])

        # FIPS 180-4, the example of one block; from NIST's published examples.
        wanted = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        assert [digest.hex() for digest in hasher.result()] == [wanted]
    assert hashlib.sha256(b"abc").hexdigest() == wanted
