import tracemalloc
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, cast

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.model import tree_views
from holdstill.model.entries import Entry, EntryType, Seen, key
from holdstill.model.layout import Disk, Ext4, Partition, TableLabel
from holdstill.records import index_file
from holdstill.workflow import compare, compare_entries
from holdstill.workflow.compare_entries import ChangeKind, CompareOptions
from holdstill.workflow.compare_sources import CapturedSource, SourcePart
from support import contents
from support.contents import FolderContents

if TYPE_CHECKING:
    from holdstill.model.sealed_capture import SealedCapture

EXT4 = Ext4(uuid="u", block_size=4096, blocks=1, inode_size=256, inodes=1, features=())
DISK = Disk(
    size=1 << 30,
    label=TableLabel.DOS,
    id="0x1",
    partitions=(Partition(number=2, start=8192, size=100, type="83"),),
)
ROOT = Entry(b"", b"", EntryType.DIRECTORY, mode=0o755)
NONE = (ROOT,)


def a_file(path: bytes, content: bytes = b"x", *, mode: int = 0o644, mtime: int = 1) -> Entry:
    directory, _, name = path.rpartition(b"/")
    return Entry(
        directory, name, EntryType.FILE, mode=mode, size=len(content), mtime_ns=mtime,
        digest=content.ljust(32, b"#"),
    )  # fmt: skip


@dataclass
class FakeSide:
    """A side in memory; it hashes nothing that a test did not announce."""

    name: str
    tree: tuple[Entry, ...] = NONE
    packages: bytes | None = None
    digests: dict[bytes, bytes] = field(default_factory=dict)
    disks: tuple[Disk, ...] | None = (DISK,)
    attached: dict[str, str] | None = None
    unread: dict[str, str] = field(default_factory=dict)

    parts: tuple[SourcePart, ...] = (SourcePart(2, tree_views.at_top("/"), EXT4),)

    def part(self, number: int) -> SourcePart | None:
        return next((part for part in self.parts if part.number == number), None)

    def entries(self, number: int) -> Iterator[Entry]:
        return iter(sorted(self.tree, key=key)) if number == 2 else iter(())

    def digest(self, number: int, entry: Entry) -> bytes:
        return self.digests[entry.path]

    def read(self, number: int, path: bytes, *, limit: int) -> bytes | None:
        assert (number, path) == (2, b"var/lib/dpkg/status")
        return self.packages

    def troubles(self) -> tuple[str, ...]:
        return ()


def told(before: FakeSide, after: FakeSide) -> dict[str, ChangeKind]:
    (part,) = compare.compare(before, after, CompareOptions()).parts
    return {change.path: change.kind for change in part.changes}


def test_each_kind_of_change_is_named() -> None:
    before = FakeSide(
        "a", (ROOT, a_file(b"gone"), a_file(b"grown"), a_file(b"mode"), a_file(b"touched"))
    )
    after = FakeSide(
        "b",
        (ROOT, a_file(b"new"), a_file(b"grown", b"xy"), a_file(b"mode", mode=0o600),
         a_file(b"touched", mtime=9)),
    )  # fmt: skip

    (part,) = compare.compare(before, after, CompareOptions()).parts

    assert {change.path: change.kind for change in part.changes} == {
        "/gone": ChangeKind.REMOVED,
        "/grown": ChangeKind.CONTENT,
        "/mode": ChangeKind.METADATA,
        "/new": ChangeKind.ADDED,
    }
    assert part.counts["time"] == 1  # counted, and not listed
    assert (part.bytes_before, part.bytes_after) == (4, 5)


def test_times_are_listed_when_asked_for() -> None:
    before, after = FakeSide("a", (a_file(b"f"),)), FakeSide("b", (a_file(b"f", mtime=9),))

    (part,) = compare.compare(before, after, CompareOptions(hidden=frozenset())).parts

    assert [change.kind for change in part.changes] == [ChangeKind.TIME]


def test_more_changes_than_are_listed_are_still_counted() -> None:
    after = FakeSide("b", (ROOT, *(a_file(b"f%03d" % n) for n in range(300))))

    (part,) = compare.compare(FakeSide("a"), after, CompareOptions(listed=10)).parts

    assert part.counts["added"] == 300
    assert len(part.changes) == 10
    assert part.unlisted == 290


def test_a_running_board_is_read_only_where_its_inodes_changed() -> None:
    seen = Seen(7, 100)
    old = a_file(b"same")._replace(seen=seen), a_file(b"other")._replace(seen=seen)
    now = [entry._replace(digest=b"") for entry in old]
    now[1] = now[1]._replace(seen=Seen(7, 200))
    after = FakeSide("live", tuple(now), digests={b"other": b"y" * 32})

    assert told(FakeSide("a", old), after) == {"/other": ChangeKind.CONTENT}


def test_an_inode_that_was_only_touched_is_no_change_of_content() -> None:
    old = a_file(b"f")._replace(seen=Seen(7, 100))
    now = old._replace(digest=b"", mtime_ns=5, seen=Seen(7, 200))

    assert told(FakeSide("a", (old,)), FakeSide("live", (now,), digests={b"f": old.digest})) == {}


def test_other_versions_of_packages_are_told_when_both_sides_have_them() -> None:
    form = b"Package: %b\nStatus: install ok installed\nArchitecture: arm64\nVersion: %b\n\n"
    before = FakeSide("a", packages=form % (b"gauge", b"1") + form % (b"old", b"5"))
    after = FakeSide("b", packages=form % (b"gauge", b"2") + form % (b"new", b"6"))

    found = compare.compare(before, after, CompareOptions())
    unknown = compare.compare(before, FakeSide("c"), CompareOptions())

    assert found.packages is not None
    assert [(p.name, p.before, p.after) for p in found.packages] == [
        ("gauge:arm64", "1", "2"), ("new:arm64", "", "6"), ("old:arm64", "5", ""),
    ]  # fmt: skip
    assert unknown.packages is None


def test_a_moved_partition_and_another_boot_gap_are_told() -> None:
    moved = Disk(
        size=1 << 30,
        label=TableLabel.DOS,
        id="0x1",
        partitions=(Partition(number=2, start=16384, size=100, type="83"),),
    )
    before = FakeSide("a", attached={"gap.bin": "1"})
    after = FakeSide("b", disks=(moved,), attached={"gap.bin": "2"})

    card = compare.compare(before, after, CompareOptions()).card

    assert len(card) == 2
    assert "start 8192" in card[0]
    assert "start 16384" in card[0]
    assert card[1] == "the boot gap: other bytes than before"


def test_a_board_does_not_differ_from_itself() -> None:
    side = FakeSide("a", (ROOT, a_file(b"a/b"), a_file(b"a-b")))

    assert compare.compare(side, side, CompareOptions()).is_same


PATHS = st.lists(st.sampled_from([b"a", b"a-b", b"a/b", b"a/c", b"b", b"\xff"]), unique=True)


@given(PATHS, PATHS)
def test_what_one_side_has_and_the_other_has_not_is_what_sets_say(
    before: list[bytes], after: list[bytes]
) -> None:
    left = sorted(map(a_file, before), key=key)
    right = sorted(map(a_file, after), key=key)

    found = list(compare_entries.pairs(left, right))

    removed = {old.path for old, new in found if old and new is None}
    added = {new.path for old, new in found if new and old is None}
    assert removed == set(before) - set(after)
    assert added == set(after) - set(before)
    assert len(found) == len(set(before) | set(after))


def test_memory_stays_flat_however_many_entries_there_are() -> None:
    def tree(count: int, mtime: int) -> Iterator[Entry]:
        return (a_file(b"d/%07d" % n, mtime=mtime) for n in range(count))

    def peak(count: int) -> int:
        tracemalloc.start()
        try:
            for _ in compare_entries.pairs(tree(count, 1), tree(count, 2)):
                pass
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    assert peak(20_000) < 2 * peak(1_000) + 20_000


@pytest.mark.parametrize("size", [0, 7, 17 << 20], ids=["empty", "small", "in-pieces"])
def test_a_captured_file_is_read_however_it_is_stored(tmp_path: Path, size: int) -> None:
    body = (b"Package: gauge\n" * (1 + size // 15))[:size]
    held = FolderContents(tmp_path / "contents")
    with index_file.created(tmp_path / "index") as index:
        index.put(2, contents.a_file(held, b"status", body), seq=1)
        side = CapturedSource(
            name="a", disks=None, parts=(), attached=None, unread={}, index=index,
            contents=cast("SealedCapture", held),
        )  # fmt: skip

        found = side.read(2, b"status", limit=64 << 20)

    assert found == (body or None)


def test_what_is_in_no_file_is_told_and_what_nobody_read_is_no_difference() -> None:
    swap = Partition(number=3, start=9000, size=100, type="82")
    grown = msgspec.structs.replace(DISK, partitions=(*DISK.partitions, swap))
    before = FakeSide("a", attached={"gap.bin": "1", "raw-5.bin": "1", "boot0.bin": "1"})
    after = FakeSide(
        "b", disks=(grown,), attached={"gap.bin": "2", "raw-6.bin": "1"},
        unread={"boot0.bin": "it is in use"},
    )  # fmt: skip

    found = compare.compare(before, after, CompareOptions())

    assert found.card == (
        "partition 3: new in the table",
        "the boot gap: other bytes than before",
        "the bytes of partition 5: gone",
        "the bytes of partition 6: new",
    )
    assert found.not_compared == ("boot0: it is in use",)
    assert not found.is_complete
