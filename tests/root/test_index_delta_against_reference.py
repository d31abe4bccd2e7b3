"""Random work on a real ext4, between and inside the hot rounds; then it is frozen, and what
detector and delta make of the index is compared with the frozen tree: every entry, every field,
every byte.

HOLDSTILL_SEQUENCES says how many sequences are run on each kind of file system, and
HOLDSTILL_TREE which tree is copied for the test with real writers: /usr, for a day's work.
"""

from __future__ import annotations

import hashlib
import mmap
import os
import random
import time
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from bench.pause.stage import load
from holdstill.board import (
    ctime_window,
    fanotify,
    index_delta,
    inode_table_detector,
    scan,
)
from holdstill.board.change_detection import ChangedInodes
from holdstill.board.fanotify import EventDetector, FanotifyEvents, FanotifyQueue
from holdstill.board.full_scan import ScanTarget
from holdstill.board.inode_tables import InodeTables
from holdstill.board.path_filter import PathFilter
from holdstill.board.scan import Scanner
from holdstill.board.stat_detector import StatDetector
from holdstill.errors import PauseError
from holdstill.records import index_file
from holdstill.system import byte_source, files, ioctl
from holdstill.system import clocks as clock
from support import loop, programs, reference_tree
from support.random_changes import Turmoil

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from holdstill.board.change_detection import Detector
    from holdstill.board.inode_tables import Times
    from holdstill.model.entries import Entry
    from holdstill.records.index_queries import Index

SEQUENCES = int(os.environ.get("HOLDSTILL_SEQUENCES", "25"))
SEED = int(os.environ.get("HOLDSTILL_SEED", "20261125"))
TREE = Path(os.environ.get("HOLDSTILL_TREE", "/usr/lib/python3"))
PART = 2
KINDS = {
    "as-mkfs-makes-it": (),
    "small-inodes": ("-I", "128", "-O", "^metadata_csum"),
    "small-blocks": ("-b", "1024", "-O", "^64bit,^flex_bg"),
    "meta-groups": ("-O", "meta_bg,^resize_inode", "-g", "1024", "-b", "1024"),
    "inline-data": ("-O", "inline_data"),
    "no-extents": ("-O", "^extents,^64bit,^metadata_csum,uninit_bg"),
    "clusters": ("-O", "bigalloc", "-C", "16384"),
    "large-inodes": ("-I", "1024"),
}
MOUNTED = {
    "lazytime": "lazytime,strictatime",
    "data-journal": "data=journal",
    "nodelalloc": "nodelalloc,noatime,sync",
}
"""Mount options, for the file system as mkfs makes it."""
OTHERS = {
    "xfs": ("mkfs.xfs", "-q"),
    "btrfs": ("mkfs.btrfs", "-q"),
}


class RestlessTables(InodeTables):
    """Lets something else happen while the tables are read."""

    disturb: Callable[[], None] = staticmethod(lambda: None)

    def times(self) -> Iterator[Times]:
        self.disturb()
        for times in super().times():
            yield times
            self.disturb()

    def forget(self) -> None:
        super().forget()
        self.disturb()


class RestlessScanner(Scanner):
    """Lets something else happen at any moment of a scan, as on a running board."""

    disturb: Callable[[], None] = staticmethod(lambda: None)

    def describe(self, handle: int, directory: bytes, name: bytes) -> Entry | None:
        self.disturb()
        return super().describe(handle, directory, name)

    @contextmanager
    def opened_directory(self, directory: bytes, inode: int) -> Iterator[int | None]:
        self.disturb()
        with super().opened_directory(directory, inode) as handle:
            self.disturb()
            yield handle


@dataclass
class Board:
    """A mounted file system that is followed, and the work that goes on in it."""

    top: Path
    subject: ScanTarget
    detector: Detector
    turmoil: Turmoil
    chance: random.Random
    scanner: RestlessScanner
    tables: tuple[RestlessTables, ...]
    work: float = 0.0

    @property
    def index(self) -> Index:
        return self.subject.index

    def hot_round(self, *, work: float) -> None:
        """Do a hot round; at any moment in it, with this probability, something happens."""
        self.work = work
        self.scanner.disturb = self._maybe_work
        for tables in self.tables:
            tables.disturb = self.turmoil.trick
        try:
            changes = self.detector.changes()
            self._maybe_work()
            doubtful = index_delta.follow(self.subject, changes, seq=1)
            self.detector.confirm()
            self.detector.doubt(doubtful)
            self._hash_pending()
        finally:
            del self.scanner.disturb
            for tables in self.tables:
                del tables.disturb

    def _maybe_work(self) -> None:
        if self.chance.random() < self.work:
            self.chance.choice((self.turmoil.step, self.turmoil.trick))()

    def _hash_pending(self) -> None:
        """Do what a hot round does: hash files, and believe it if they stayed the same."""
        after = (b"", b"")
        while entries := self.index.pending(PART, after=after, limit=1000):
            after = entries[-1].directory, entries[-1].name
            for entry in entries:
                self._maybe_work()
                self._hash_one(entry)

    def _hash_one(self, entry: Entry) -> None:
        try:
            handle = self.scanner.open(entry)
        except OSError:
            return
        try:
            digest = self._hash(entry, handle)
        finally:
            os.close(handle)
        if digest is not None:
            self.index.set_digest(PART, entry, digest, seq=1)

    def _hash(self, entry: Entry, handle: int) -> bytes | None:
        if not self.scanner.is_same(entry, handle):
            return None
        digest = files.hash_open_file(handle, entry.size)
        self._maybe_work()
        return digest if self.scanner.is_same(entry, handle) else None

    def still(self) -> tuple[dict[bytes, Entry], dict[bytes, Entry]]:
        """Freeze, find the rest, and the truth; return both."""
        while True:
            with suppress(ThawedError):
                return self._still()

    def _still(self) -> tuple[dict[bytes, Entry], dict[bytes, Entry]]:
        spooled: dict[bytes, bytes] = {}

        def copy(handle: int, entry: Entry) -> None:
            content = os.pread(handle, entry.size + 1, 0)
            assert len(content) == entry.size
            spooled[entry.path] = hashlib.sha256(content).digest()

        self.detector.prepare_freeze()
        with frozen(self.scanner.root):
            delta = index_delta.resolve(self.subject, self.detector.frozen_changes())
            index_delta.add_pending(self.subject, delta)
            index_delta.copy_pending(self.subject, delta, copy)
            true = reference_tree.entries(self.top)
        index_delta.apply(self.subject, delta, seq=1)
        self.detector.confirm()
        for path, digest in spooled.items():
            entry = self.index.get(PART, path)
            assert entry is not None
            self.index.set_digest(PART, entry, digest, seq=1)
        return {entry.path: entry for entry in self.index.entries(PART)}, true


class ThawedError(Exception):
    """The volume's guard, which thaws every two minutes, came in between."""


@contextmanager
def frozen(root: int) -> Iterator[None]:
    """Freeze for the length of the block; the volume's own guard stands by."""
    ioctl.freeze(root)
    try:
        yield
    finally:
        try:
            ioctl.thaw(root)
        except OSError as error:
            raise ThawedError from error


@contextmanager
def ext4_board(
    folder: Path, mkfs: tuple[str, ...], seed: int, *, options: str = "relatime"
) -> Iterator[Board]:
    """Follow an ext4 by its inode tables."""
    with (
        loop.ext4_volume(folder, size=96 << 20, mkfs=mkfs, options=options) as top,
        byte_source.opened(Path(*loop.loops_of(folder / "volume.img"))) as source,
        scan.opened_root(os.fsencode(top)) as root,
    ):
        tables = RestlessTables(source)
        detector = inode_table_detector.InodeTableDetector(root, tables, clocks())
        scanner = RestlessScanner(root, PathFilter(exclude=()), inodes=tables)
        with followed_by(detector, scanner, folder, Turmoil(top, seed), tables) as made:
            yield made


@contextmanager
def other_board(
    folder: Path,
    mkfs: tuple[str, ...],
    seed: int,
    *,
    way: Callable[[int, FanotifyQueue], Detector],
) -> Iterator[Board]:
    """Follow another kind of file system by events, or by looking at everything again."""
    image = loop.blank_image(folder / "volume.img", size=400 << 20)
    programs.run(*mkfs, image)
    with (
        loop.attached(image) as disk,
        loop.mounted(disk.device, folder / "volume") as top,
        loop.thaw_guard(top, seconds=120),
        scan.opened_root(os.fsencode(top)) as root,
    ):
        scanner = RestlessScanner(root, PathFilter(exclude=()))
        turmoil = Turmoil(top, seed)
        with (
            fanotify.listening(root, own=0) as queue,
            followed_by(way(root, queue), scanner, folder, turmoil) as made,
        ):
            yield made


def clocks() -> ctime_window.InodeClock:
    return ctime_window.InodeClock(clock.SystemClock(), clock.coarse_now_ns)


@contextmanager
def followed_by(
    detector: Detector,
    scanner: RestlessScanner,
    folder: Path,
    turmoil: Turmoil,
    *tables: RestlessTables,
) -> Iterator[Board]:
    with index_file.created(folder / "index") as index:
        subject = ScanTarget(index, PART, scanner)
        chance = random.Random(turmoil.seed)  # noqa: S311  repeatable, not secret
        try:
            yield Board(turmoil.top, subject, detector, turmoil, chance, scanner, tables)
        finally:
            turmoil.close()


@pytest.fixture
def memory(tmp_path: Path) -> Iterator[Path]:
    """A folder on a tmpfs: the work is not slowed down by the disk below."""
    folder = Path("/dev/shm", f"holdstill-{os.getpid()}-{tmp_path.name}")  # noqa: S108
    folder.mkdir()
    try:
        yield folder
    finally:
        for path in sorted(folder.rglob("*"), reverse=True):
            path.rmdir() if path.is_dir() else path.unlink()
        folder.rmdir()


@pytest.mark.timeout(60 + SEQUENCES * 2)
@pytest.mark.parametrize("kind", KINDS)
def test_the_index_is_exactly_the_frozen_ext4_after_any_work(kind: str, memory: Path) -> None:
    with ext4_board(memory, KINDS[kind], SEED) as followed:
        follow_through_turmoil(followed)


@pytest.mark.timeout(60 + SEQUENCES * 2)
@pytest.mark.parametrize("kind", MOUNTED)
def test_however_it_is_mounted(kind: str, memory: Path) -> None:
    with ext4_board(memory, (), SEED, options=MOUNTED[kind]) as followed:
        follow_through_turmoil(followed)


@pytest.mark.timeout(60 + SEQUENCES * 2)
@pytest.mark.parametrize("kind", OTHERS)
def test_the_index_is_exactly_another_frozen_file_system(kind: str, memory: Path) -> None:
    with other_board(memory, OTHERS[kind], SEED, way=by_restat) as followed:
        follow_through_turmoil(followed)


@pytest.mark.timeout(60 + SEQUENCES * 2)
@pytest.mark.parametrize("kind", OTHERS)
def test_the_index_is_exactly_what_the_events_lead_to(kind: str, memory: Path) -> None:
    with other_board(memory, OTHERS[kind], SEED, way=by_events) as followed:
        follow_through_turmoil(followed)

        # It did not give up and look at everything again, which would be no less exact.
        assert isinstance(followed.detector.changes(), ChangedInodes)


def by_restat(root: int, _queue: FanotifyQueue) -> Detector:
    return StatDetector(root, clocks())


def by_events(root: int, queue: FanotifyQueue) -> Detector:
    return EventDetector(root, clocks(), queue)


def by_events_alone(root: int, queue: FanotifyQueue) -> Detector:
    return EventDetector(root, clocks(), HardOfHearing(queue, lambda _: True), mapped=set)


@dataclass
class HardOfHearing:
    """Misses some changes, and every opening."""

    queue: FanotifyQueue
    hears: Callable[[int], bool]

    def wait_quiet(self) -> None:
        self.queue.wait_quiet()

    def read_events(self) -> FanotifyEvents:
        heard = self.queue.read_events()
        return FanotifyEvents(set(filter(self.hears, heard.changed)), is_all=heard.is_all)


@pytest.mark.parametrize("kind", OTHERS)
def test_events_that_are_missed_are_missed_by_the_index(kind: str, memory: Path) -> None:
    def way(root: int, queue: FanotifyQueue) -> Detector:
        return EventDetector(root, clocks(), HardOfHearing(queue, lambda inode: bool(inode % 3)))

    with (
        other_board(memory, OTHERS[kind], SEED, way=way) as followed,
        pytest.raises((AssertionError, PauseError), match=r"sequence|changed although"),
    ):
        follow_through_turmoil(followed)


@pytest.mark.parametrize("kind", OTHERS)
def test_flags_that_no_event_tells_of_are_found(kind: str, memory: Path) -> None:
    with other_board(memory, OTHERS[kind], SEED, way=by_events) as followed:
        (followed.top / "quiet").write_bytes(b"x")
        followed.hot_round(work=0)
        followed.hot_round(work=0)
        programs.run("chattr", "+A", followed.top / "quiet")

        found, true = followed.still()

    assert reference_tree.differences(found, true) == []
    assert true[b"quiet"].flags


@pytest.mark.parametrize("kind", OTHERS)
@pytest.mark.parametrize(("way", "missed"), [(by_events, []), (by_events_alone, [b"mapped"])])
def test_stores_through_a_mapping_are_found_by_who_looks_for_mappings(
    kind: str, way: Callable[[int, FanotifyQueue], Detector], missed: list[bytes], memory: Path
) -> None:
    with other_board(memory, OTHERS[kind], SEED, way=way) as followed:
        path = followed.top / "mapped"
        path.write_bytes(bytes(4096))
        with path.open("r+b") as file, mmap.mmap(file.fileno(), 0) as mapped:
            for _ in range(3):
                followed.hot_round(work=0)
                time.sleep(0.05)  # the kernel's clock ticks, so that the file is suspect no more
            mapped[7] = 1

            found, true = followed.still()

    assert [path for path in true if found[path] != true[path]] == missed


def follow_through_turmoil(followed: Board) -> None:
    followed.turmoil.steps(60)
    followed.hot_round(work=0)

    for number in range(SEQUENCES):
        del followed.turmoil.log[:]
        for _ in range(followed.chance.randrange(1, 3)):
            followed.turmoil.steps(followed.chance.randrange(12))
            followed.hot_round(work=followed.chance.choice((0.0, 0.05, 0.3)))
        followed.turmoil.steps(followed.chance.randrange(6))
        found, true = followed.still()

        story = f"sequence {number}: {' '.join(followed.turmoil.log)}"
        assert reference_tree.differences(found, true) == [], story


@pytest.mark.timeout(3600 if "HOLDSTILL_TREE" in os.environ else 120)
def test_a_whole_tree_under_real_writers_is_exactly_what_was_frozen(tmp_path: Path) -> None:
    """Other processes write all the time, and nothing waits for them until the freeze."""
    image = loop.blank_image(tmp_path / "volume.img", size=16 << 30)
    programs.run("mkfs.ext4", "-q", "-F", image)
    with (
        loop.attached(image) as disk,
        loop.mounted(disk.device, tmp_path / "volume", options="noatime") as top,
        loop.thaw_guard(top, seconds=900),
        byte_source.opened(disk.device) as source,
        scan.opened_root(os.fsencode(top)) as root,
    ):
        programs.run("cp", "-a", TREE, top, timeout=1800)
        tables = InodeTables(source)
        detector = inode_table_detector.InodeTableDetector(root, tables, clocks())
        scanner = RestlessScanner(root, PathFilter(exclude=()), inodes=tables)
        with (
            followed_by(detector, scanner, tmp_path, Turmoil(top, SEED)) as followed,
            load(top, rate=10) as writing,
        ):
            for _ in range(3):
                followed.hot_round(work=0)
            found, true = followed.still()
            counted = [path for path in true if not path.startswith(b"var/")]

        assert reference_tree.differences(found, true) == []
        assert len(counted) > 100
        assert len(true) > len(counted) + 50  # the writers did write
    assert not writing.notes.exists()
