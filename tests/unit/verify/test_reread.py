import errno
import hashlib
import os
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from holdstill.model import pieces
from holdstill.model.entries import Entry, EntryType
from holdstill.model.pieces import PIECE, PieceList
from holdstill.verify import reread
from holdstill.verify.reread import BadRange, Meter, RereadBudget, RereadFinding


@dataclass
class FakeClock:
    """Time that passes only when somebody waits."""

    seconds: float = 0.0

    def monotonic(self) -> float:
        return self.seconds

    def now(self) -> datetime:
        return datetime(2026, 11, 25, tzinfo=UTC)

    def sleep(self, seconds: float) -> None:
        self.seconds += seconds


@dataclass
class FolderTree:
    """Files in a folder; a test says which of them count as changed, or cannot be read."""

    folder: Path
    changed: set[bytes] = field(default_factory=set)
    broken: set[bytes] = field(default_factory=set)
    lists: dict[bytes, PieceList] = field(default_factory=dict)

    def add(self, name: str, content: bytes, *, now: bytes | None = None) -> Entry:
        (self.folder / name).write_bytes(content if now is None else now)
        digest = hashlib.sha256(content).digest()
        if pieces.is_pieced(len(content)):
            listed = pieces.of_reader(
                len(content), PIECE, lambda at, count: content[at : at + count]
            )
            digest = listed.digest()
            self.lists[digest] = listed
        return Entry(b"", name.encode(), EntryType.FILE, size=len(content), digest=digest)

    def open(self, entry: Entry) -> int:
        if entry.name in self.broken:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return os.open(self.folder / os.fsdecode(entry.name), os.O_RDONLY)

    def is_same(self, entry: Entry, handle: int) -> bool:
        return entry.name not in self.changed


@pytest.fixture
def tree(tmp_path: Path) -> FolderTree:
    return FolderTree(tmp_path)


def a_meter(**budget: int) -> Meter:
    return Meter(RereadBudget(**budget), FakeClock())


def test_whole_files_pass_and_a_damaged_one_is_named(tree: FolderTree) -> None:
    whole = [tree.add("a", b"a" * 5000), tree.add("c", b"c" * (3 << 20))]
    damaged = tree.add("b", b"b" * 5000, now=b"b" * 4999 + b"B")
    meter = a_meter()

    reread.reread(2, tree, [whole[0], damaged, whole[1]], meter, tree.lists.get)

    assert [finding.path for finding in meter.findings] == [b"b"]
    assert "although nobody wrote to it" in meter.findings[0].problem
    assert meter.files == 3


def test_a_changed_file_and_one_that_is_gone_are_not_blamed(tree: FolderTree) -> None:
    changed = tree.add("changed", b"old" * 100, now=b"new" * 100)
    gone = tree.add("gone", b"x")
    (tree.folder / "gone").unlink()
    tree.changed.add(b"changed")
    meter = a_meter()

    reread.reread(2, tree, [changed, gone], meter, tree.lists.get)

    assert meter.findings == []
    assert (meter.files, meter.changed) == (0, 2)


def test_a_file_that_the_card_does_not_give_back_is_a_finding(tree: FolderTree) -> None:
    entry = tree.add("a", b"a")
    tree.broken.add(b"a")
    meter = a_meter()

    reread.reread(2, tree, [entry], meter, tree.lists.get)

    assert "does not give it back" in meter.findings[0].problem


def test_a_file_that_was_cut_is_a_finding(tree: FolderTree) -> None:
    entry = tree.add("a", b"a" * 9000, now=b"a" * 4096)
    meter = a_meter()

    reread.reread(2, tree, [entry], meter, tree.lists.get)

    assert [finding.path for finding in meter.findings] == [b"a"]


def test_a_run_stops_when_its_budget_is_spent_and_says_where(tree: FolderTree) -> None:
    entries = [tree.add(name, b"x" * 1000) for name in "abcd"]

    last = reread.reread(2, tree, entries, a_meter(bytes=1500), tree.lists.get)

    assert last == entries[1]


def test_a_run_that_has_no_time_left_does_nothing(tree: FolderTree) -> None:
    meter = a_meter(seconds=60)
    meter.clock.sleep(61)

    assert reread.reread(2, tree, [tree.add("a", b"x")], meter, tree.lists.get) is None


def test_a_rate_is_kept(tree: FolderTree) -> None:
    clock = FakeClock()
    meter = Meter(RereadBudget(), clock, rate=1000)

    reread.reread(2, tree, [tree.add(name, b"x" * 5000) for name in "ab"], meter, tree.lists.get)

    assert clock.seconds == pytest.approx(10.0)


LARGE = bytes(PIECE) + b"".join(bytes([1 + at % 250]) * PIECE for at in range(256)) + b"end"


def found_in(tree: FolderTree, entry: Entry) -> RereadFinding:
    meter = a_meter()
    reread.reread(2, tree, [entry], meter, tree.lists.get)
    (finding,) = meter.findings
    return finding


def ranges(finding: RereadFinding) -> list[tuple[int, int]]:
    assert not any(bad.is_unreadable for bad in finding.ranges)
    return [(bad.offset, bad.length) for bad in finding.ranges]


@pytest.mark.parametrize(
    ("flipped", "bad"),
    [
        pytest.param([5 * PIECE + 7], [(5 * PIECE, PIECE)], id="a-byte"),
        pytest.param([0], [(0, PIECE)], id="a-byte-of-a-hole"),
        pytest.param([257 * PIECE + 2], [(257 * PIECE, 3)], id="the-last-byte"),
        pytest.param([8 * PIECE - 1, 8 * PIECE], [(7 * PIECE, 2 * PIECE)], id="neighbours"),
        pytest.param([PIECE, 3 * PIECE], [(PIECE, PIECE), (3 * PIECE, PIECE)], id="apart"),
    ],
)
def test_the_bad_pieces_of_a_large_file_are_named(
    tree: FolderTree, flipped: list[int], bad: list[tuple[int, int]]
) -> None:
    now = bytearray(LARGE)
    for at in flipped:
        now[at] ^= 1

    finding = found_in(tree, tree.add("a", LARGE, now=bytes(now)))

    assert ranges(finding) == bad
    assert finding.more == 0
    assert "although nobody wrote to it" in finding.problem


def test_data_that_became_a_hole_is_named(tree: FolderTree) -> None:
    entry = tree.add("a", LARGE)
    with (tree.folder / "a").open("r+b") as file:
        file.truncate(9 * PIECE)
        file.truncate(len(LARGE))

    assert ranges(found_in(tree, entry)) == [(9 * PIECE, len(LARGE) - 9 * PIECE)]


def test_many_bad_ranges_are_counted_and_the_first_are_named(tree: FolderTree) -> None:
    now = bytearray(LARGE)
    for at in range(0, 100 * PIECE, 2 * PIECE):
        now[at] ^= 1

    finding = found_in(tree, tree.add("a", LARGE, now=bytes(now)))

    assert ranges(finding) == [(2 * at * PIECE, PIECE) for at in range(reread.LISTED)]
    assert finding.more == 50 - reread.LISTED


def test_a_large_file_whose_pieces_are_forgotten_is_found_as_a_whole(tree: FolderTree) -> None:
    entry = tree.add("a", LARGE, now=LARGE[:-1] + b"D")
    tree.lists.clear()

    finding = found_in(tree, entry)

    assert (finding.ranges, finding.more) == ((), 0)
    assert "although nobody wrote to it" in finding.problem


def test_a_large_file_that_was_cut_is_a_finding(tree: FolderTree) -> None:
    finding = found_in(tree, tree.add("a", LARGE, now=LARGE[:-4096]))

    assert "it ends too soon" in finding.problem


class NoMemoryTree(FolderTree):
    """A medium that gives an error for each byte: addresses where no process has memory."""

    def open(self, entry: Entry) -> int:
        return os.open("/proc/self/mem", os.O_RDONLY)


def test_pieces_that_cannot_be_read_are_named_and_soon_no_more_are_tried(tmp_path: Path) -> None:
    tree = NoMemoryTree(tmp_path)
    # pread(2) of /proc/self/mem gives EIO where nothing is mapped, as everywhere below 16 MiB
    # plus a bit in a program that is loaded where Linux loads them (mmap_min_addr and ASLR).
    finding = found_in(tree, tree.add("a", LARGE))

    assert finding.ranges == (BadRange(offset=0, length=16 * PIECE, is_unreadable=True),)
    assert "does not give back 16 pieces" in finding.problem
    assert f"behind byte {16 * PIECE:,} was not tried" in finding.problem
