"""Measure a rebuild against tar into a mounted ext4, and its memory on a million files.

As root, from the repository: `.venv/bin/python tests/bench/rebuild/run.py TREE`, or without TREE
for the million files alone; tree.py makes one. All ways are taken in turn, in the same run, on
the same disk: tar; the ext4 of a rebuild, written, and read back; and `holdstill rebuild`, which
starts, plans, writes, reads back, compares, and looks at whether the image would boot.
"""

from __future__ import annotations

import argparse
import gc
import hashlib
import os
import statistics
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

ROOT = Path(__file__).parents[3]
sys.path[:0] = [str(ROOT / "agent"), str(ROOT / "tests")]

from holdstill.filesystems import file_tree, hash_worker  # noqa: E402
from holdstill.filesystems.ext4 import ext4_parameters, ext4_reader, ext4_sizing, ext4_writer  # noqa: E402
from holdstill.filesystems.writer_input import LocalContents  # noqa: E402
from holdstill.model.entries import Entry, EntryType, differences  # noqa: E402
from holdstill.records import index_file  # noqa: E402
from holdstill.system import byte_source  # noqa: E402
from holdstill.system.process import LocalRunner  # noqa: E402
from support import boards, ext4_images, loop, programs, reference_reader  # noqa: E402
from support.in_place import InPlace  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from holdstill.model.layout import Ext4
    from holdstill.model.pieces import Part
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.records.index_queries import Index

MILLION = 1_000_000
HOUR = 3600.0
SETTLING = 5.0
"""Seconds in which a disk discards what was deleted, which sync does not wait for."""


def main() -> None:
    """Measure what the command line asks for, and print it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("tree", nargs="?", type=Path)
    parser.add_argument("--rounds", type=int, default=3)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bench-", dir=wanted.tree and wanted.tree.parent) as d:
        if wanted.tree:
            os.environ["TMPDIR"] = d  # not everything fits a /tmp in memory
            against_tar(wanted.tree, Path(d), wanted.rounds)
        million(Path(d))


def against_tar(top: Path, folder: Path, rounds: int) -> None:
    """Write a tree both ways, in turn."""
    entries = reference_reader.entries(top)
    size = sum(entry.size for entry in entries)
    say(f"{len(entries)} entries, {size / 1e9:.2f} GB")
    archive, store = folder / "tree.tar", captured(top, folder)
    programs.run(
        "tar", "--xattrs", "--acls", "-C", top, "-cf", archive, ".", timeout=HOUR
    )  # fmt: skip
    with indexed(folder / "index.sqlite", entries) as index:
        contents = LocalContents(InPlace(top, entries))
        parameters = roomy(entries, contents)
        names = ("tar", "ext4 written", "ext4 written and verified", "holdstill rebuild")
        taken: dict[str, list[float]] = {name: [] for name in names}
        image = folder / "card.img"
        gc.collect()
        gc.freeze()  # what only this measurement holds is not to be looked through all the time
        for _ in range(rounds):
            warm([archive])
            taken["tar"].append(timed(lambda: by_tar(archive, folder, parameters)))
            warm(path for path in top.rglob("*") if path.is_file() and not path.is_symlink())
            written = timed(lambda: by_writer(image, index, contents, parameters))
            verified = timed(lambda: verify(image, index, parameters))
            taken["ext4 written"].append(written)
            taken["ext4 written and verified"].append(written + verified)
            image.unlink()
            warm(path for path in store.rglob("*") if path.is_file())
            taken["holdstill rebuild"].append(timed(lambda: rebuild(image, store)))
            image.unlink()
    report(taken)


def captured(top: Path, folder: Path) -> Path:
    """Capture a board that has the tree in its root; return the store."""
    place = folder / "board"
    place.mkdir()
    with boards.running(place, size=5000 << 20, mkfs=("-N", "300000")) as board:
        programs.run("cp", "-a", top, board.root / "srv", timeout=HOUR)
        with boards.kept_nearby(place, board.root) as kept:
            words = ("capture", "--settings", kept.settings)
            boards.holdstill(*words, accepted=(0, boards.NO_KERNEL), timeout=HOUR)
    (place / "card.img").unlink()
    return kept.store


def rebuild(image: Path, store: Path) -> None:
    """Rebuild the board's capture as an image, as a person would."""
    words = ("rebuild", "pier-3", image, "--store", store)
    boards.holdstill(*words, accepted=(boards.NO_KERNEL,), timeout=HOUR)


def warm(paths: Iterable[Path]) -> None:
    """Read files, so that memory holds them: some virtual machines take it back before long."""
    for path in paths:
        with path.open("rb", buffering=0) as file:
            while file.read(1 << 20):
                pass


def report(taken: dict[str, list[float]]) -> None:
    """Print medians and ratios."""
    tar = statistics.median(taken["tar"])
    for name, seconds in taken.items():
        middle = statistics.median(seconds)
        all_of_them = ", ".join(f"{value:.1f}" for value in seconds)
        say(f"{name}: median {middle:.1f} s of {all_of_them}; tar / this = {tar / middle:.2f}")


def roomy(entries: Iterable[Entry], contents: ContentSource) -> Ext4:
    """Return the parameters of a file system that holds a tree and a fifth more."""
    plain = ext4_images.parameters(size=8 << 30, inodes=1 << 19)
    usage = ext4_sizing.need(entries, plain, contents=contents)
    need = ext4_sizing.minimum(plain, usage, machine=LocalRunner())
    large = ext4_parameters.resized(plain, size=need.size * 6 // 5, inodes=need.inodes)
    return ext4_sizing.settled(large, need, machine=LocalRunner())


def by_tar(archive: Path, folder: Path, parameters: Ext4) -> None:
    """Unpack into a fresh, mounted ext4, until everything is on the disk."""
    image = loop.blank_image(
        folder / "tar.img", size=parameters.blocks * parameters.block_size * 11 // 10
    )
    programs.run("mkfs.ext4", "-q", "-F", "-N", str(parameters.inodes), image)
    with loop.attached(image) as disk, loop.mounted(disk.device, folder / "mnt") as card:
        programs.run(
            "tar", "--xattrs", "--acls", "-p", "-C", card, "-xf", archive, timeout=HOUR
        )  # fmt: skip
        programs.run("sync", "-f", card, timeout=HOUR)
    image.unlink()


def by_writer(image: Path, index: Index, contents: ContentSource, parameters: Ext4) -> None:
    """Make, fill, flush and check an ext4 in an image."""
    size, machine = parameters.blocks * parameters.block_size, LocalRunner()
    loop.blank_image(image, size=size)
    ext4_writer.write(
        image, offset=0, size=size, parameters=parameters, entries=index.entries(1),
        contents=contents, machine=machine,
    )  # fmt: skip
    ext4_writer.finish(image, offset=0, parameters=parameters, machine=machine)


def verify(image: Path, index: Index, parameters: Ext4) -> None:
    """Compare every field and every byte, read from the medium through our own reader."""
    forget(image)
    with (
        byte_source.opened(image) as whole,
        byte_source.uncached(
            image, whole.window(0, parameters.blocks * parameters.block_size)
        ) as part,
        hash_worker.hash_worker(part) as hasher,
    ):  # fmt: skip
        volume = ext4_reader.Ext4Reader(part)
        found = volume.entries(file_tree.Content.HASHED, logical_max=1 << 50, hasher=hasher)
        assert list(differences(index.entries(1), found)) == []


def forget(path: Path) -> None:
    """Bring a file to the disk, and drop what memory holds of it."""
    with path.open("rb") as file:
        os.fsync(file.fileno())
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def million(folder: Path) -> None:
    """Write a million files in a thousand directories, then all in one; tell the memory."""
    (folder / "one").write_bytes(b"1.42 m")
    for directories in (1000, 1):
        million_in(directories, folder)


def million_in(directories: int, folder: Path) -> None:
    """Write a million files in so many directories; tell the memory."""
    parameters = ext4_images.parameters(size=8 << 30, inodes=1_100_000)
    image, one = folder / "million.img", LocalContents(One(folder / "one"))
    with indexed(folder / "million.sqlite", many(directories)) as index:
        forget_peak()
        before = peak_mib()
        seconds = timed(lambda: by_writer(image, index, one, parameters))
    say(
        f"{MILLION} files in {directories} directories: {seconds:.0f} s, "
        f"peak memory {peak_mib()} MiB ({before} MiB before)"
    )
    image.unlink()


def many(directories: int) -> Iterator[Entry]:
    """Yield a million files, in key order."""
    digest = hashlib.sha256(b"1.42 m").digest()
    yield Entry(b"", b"", EntryType.DIRECTORY, mode=0o755)
    for number in range(directories):
        yield Entry(b"", b"%06d" % number, EntryType.DIRECTORY, mode=0o755)
    for number in range(directories):
        for name in range(MILLION // directories):
            yield Entry(
                b"%06d" % number, b"reading-of-the-gauge-%07d" % name, EntryType.FILE,
                mode=0o644, size=6, digest=digest, mtime_ns=name,
            )  # fmt: skip


class One:
    """A store with one content."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def open(self, digest: bytes) -> int:
        """Return a descriptor of it."""
        return os.open(self._path, os.O_RDONLY)

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Yield the same parts."""
        yield from parts


@contextmanager
def indexed(path: Path, entries: Iterable[Entry]) -> Iterator[Index]:
    """Put entries into an index, as a capture has it, and open that."""
    with index_file.created(path) as index:
        index.put_all(1, entries, seq=1)
    with index_file.opened(path) as index:
        yield index


def say(text: str) -> None:
    """Tell the person who measures."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def timed(work: Callable[[], None]) -> float:
    """Return the seconds that work takes; the disk is done with what went before."""
    os.sync()
    time.sleep(SETTLING)
    started = time.monotonic()
    work()
    return time.monotonic() - started


def forget_peak() -> None:
    """Let the kernel count the peak memory from now on (proc(5), clear_refs)."""
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")


def peak_mib() -> int:
    """Return the peak resident memory of this process."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.partition("VmHWM:")[2].split()[0]) // 1024


if __name__ == "__main__":
    main()
