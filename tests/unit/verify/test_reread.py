import errno
import hashlib
import os
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from holdstill.model.entries import Entry, EntryType
from holdstill.verify import reread
from holdstill.verify.reread import Meter, RereadBudget


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

    def add(self, name: str, content: bytes, *, now: bytes | None = None) -> Entry:
        (self.folder / name).write_bytes(content if now is None else now)
        digest = hashlib.sha256(content).digest()
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

    reread.reread(2, tree, [whole[0], damaged, whole[1]], meter)

    assert [finding.path for finding in meter.findings] == ["b"]
    assert "although nobody wrote to it" in meter.findings[0].problem
    assert meter.files == 3


def test_a_changed_file_and_one_that_is_gone_are_not_blamed(tree: FolderTree) -> None:
    changed = tree.add("changed", b"old" * 100, now=b"new" * 100)
    gone = tree.add("gone", b"x")
    (tree.folder / "gone").unlink()
    tree.changed.add(b"changed")
    meter = a_meter()

    reread.reread(2, tree, [changed, gone], meter)

    assert meter.findings == []
    assert (meter.files, meter.changed) == (0, 2)


def test_a_file_that_the_card_does_not_give_back_is_a_finding(tree: FolderTree) -> None:
    entry = tree.add("a", b"a")
    tree.broken.add(b"a")
    meter = a_meter()

    reread.reread(2, tree, [entry], meter)

    assert "does not give it back" in meter.findings[0].problem


def test_a_file_that_was_cut_is_a_finding(tree: FolderTree) -> None:
    entry = tree.add("a", b"a" * 9000, now=b"a" * 4096)
    meter = a_meter()

    reread.reread(2, tree, [entry], meter)

    assert [finding.path for finding in meter.findings] == ["a"]


def test_a_run_stops_when_its_budget_is_spent_and_says_where(tree: FolderTree) -> None:
    entries = [tree.add(name, b"x" * 1000) for name in "abcd"]

    last = reread.reread(2, tree, entries, a_meter(bytes=1500))

    assert last == entries[1]


def test_a_run_that_has_no_time_left_does_nothing(tree: FolderTree) -> None:
    meter = a_meter(seconds=60)
    meter.clock.sleep(61)

    assert reread.reread(2, tree, [tree.add("a", b"x")], meter) is None


def test_a_rate_is_kept(tree: FolderTree) -> None:
    clock = FakeClock()
    meter = Meter(RereadBudget(), clock, rate=1000)

    reread.reread(2, tree, [tree.add(name, b"x" * 5000) for name in "ab"], meter)

    assert clock.seconds == pytest.approx(10.0)
