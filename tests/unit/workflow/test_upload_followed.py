"""What is sent of large files that are followed, and when they have a content."""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest

from holdstill.board.extent_map import Extent, State
from holdstill.board.followed_files import FollowedFiles, FollowedPart, How, Way
from holdstill.board.spool import Spool
from holdstill.board.traced_disk import Disk, Place
from holdstill.board.written_blocks import WrittenBlocks
from holdstill.errors import VerificationError
from holdstill.model import pieces
from holdstill.model.entries import Entry, EntryType, Seen
from holdstill.model.protocol import RunStarted
from holdstill.records import index_file, index_queries
from holdstill.workflow.delivery import Deliveries, Delivery, TransferStats
from holdstill.workflow.line_meter import LineMeter
from holdstill.workflow.mounted_tree import SpooledPlace
from holdstill.workflow.upload import Uploader
from holdstill.workflow.upload_followed import FollowedUploader
from holdstill.workflow.upload_pieces import PieceUploader
from support.keeping import FakeClock
from support.silence import Silent
from support.uploads import Carrier, Keeper, Lists

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.board.extent_map import ExtentMap

PART, SEQ = 2, 7
SIZE = pieces.PIECED_FROM + 100
COUNT = -(-SIZE // pieces.PIECE)
NAME = b"readings.db"


class StraightMap:
    """The map of a file that lies at the start of its disk, in one extent."""

    def extents(self, start: int, end: int) -> list[Extent]:
        return [Extent(start, min(end, SIZE) - start, 0, State.STORED)] if start < SIZE else []

    def is_shared(self, start: int, end: int) -> bool:
        return False


class UnreadableMap:
    """The map of a file on a bad card."""

    def extents(self, start: int, end: int) -> list[Extent]:
        raise OSError(errno.EIO, "input/output error")

    def is_shared(self, start: int, end: int) -> bool:
        raise OSError(errno.EIO, "input/output error")


@dataclass
class Tree:
    """One large file in a folder.

    Attributes:
        changing: whether it is written to while it is read.
        earlier: digest of its older content.
    """

    folder: Path
    followed: FollowedPart
    changing: bool = False
    earlier: bytes = b""
    gone: bool = False
    part: int = PART
    opened: list[bytes] = field(default_factory=list)

    def open(self, entry: Entry) -> int:
        if self.gone:
            raise FileNotFoundError(entry.path)
        self.opened.append(entry.path)
        return os.open(self.path(entry), os.O_RDONLY)

    def path(self, entry: Entry) -> Path:
        return self.folder / os.fsdecode(entry.path)

    def is_same(self, entry: Entry, handle: int) -> bool:
        return not self.changing

    def older(self, entry: Entry) -> bytes:
        return self.earlier


@dataclass
class Scene:
    """An uploader with everything around it."""

    index: index_queries.Index
    tree: Tree
    keeper: Keeper
    carrier: Carrier
    lists: Lists
    stats: TransferStats
    uploader: FollowedUploader
    memory: Path

    @property
    def path(self) -> Path:
        return self.tree.folder / os.fsdecode(NAME)

    def write(self, *numbers: int) -> None:
        """Write to pieces of the file, and have the trace tell it."""
        told = WrittenBlocks(2 * SIZE)
        with self.path.open("r+b") as file:
            for number in numbers:
                file.seek(number * pieces.PIECE)
                file.write(os.urandom(64))
                told.add(number * pieces.PIECE // 512, 1)
        self.tree.followed.look(told, "")

    def upload(self) -> int:
        """Do a hot round; return how many contents were sent."""
        before = len(self.carrier.sent)
        self.uploader.upload_live(self.index, self.tree)
        return len(self.carrier.sent) - before

    def entry(self) -> Entry:
        found = self.index.get(PART, NAME)
        assert found is not None
        return found

    def digest(self) -> bytes:
        return self.entry().digest

    def right(self) -> bytes:
        """Return the digest that the file has now."""
        content = self.path.read_bytes()
        return pieces.of_reader(
            SIZE, pieces.PIECE, lambda at, length: content[at : at + length]
        ).digest()

    def remember(self) -> None:
        """Let the file be one of which the keeper has the content, as an earlier capture has."""
        content = self.path.read_bytes()
        listed = pieces.of_reader(SIZE, pieces.PIECE, lambda at, n: content[at : at + n])
        self.lists.save_list(listed)
        self.tree.earlier = listed.digest()
        self.keeper.store |= {digest.hex() for digest, _ in listed.pieces()}

    def pause(self, spool: Spool, *numbers: int) -> SpooledPlace:
        """Take what changed since the last look."""
        told = WrittenBlocks(2 * SIZE)
        for number in numbers:
            told.add(number * pieces.PIECE // 512, 1)
        self.tree.followed.note_frozen(told, "")
        handle = os.open(self.path, os.O_RDONLY)
        try:
            taken = self.tree.followed.spool_frozen(handle, spool)
        finally:
            os.close(handle)
        assert taken is not None
        return SpooledPlace(PART, {}, {}, {self.path.stat().st_ino: taken})


def traced(folder: Path, map_of: type[ExtentMap] = StraightMap, limit: int = 4) -> FollowedPart:
    return FollowedPart(Way(How.TRACED), Place(Disk(8, 0), 0), folder, limit, lambda _: map_of())


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    keeper, lists, stats = Keeper(), Lists(), TransferStats()
    carrier = Carrier(keeper)
    begun = RunStarted(run="runrunru", seq=SEQ, previous="", folders=("one", "two"))
    memory, files = tmp_path / "memory", tmp_path / "files"
    memory.mkdir()
    files.mkdir()

    def delivery() -> Delivery:
        return Delivery(keeper=keeper, transfer=carrier, run=begun, stats=stats)

    deliveries = Deliveries(delivery)
    meter = LineMeter(FakeClock(), rate=1e9)
    pieces_up = PieceUploader(deliveries=deliveries, memory=memory, stats=stats, meter=meter)
    whole = Uploader(
        keeper=keeper, deliveries=deliveries, run=begun, progress=Silent(), pieces_up=pieces_up,
        lists=lists, stats=stats, meter=meter,
    )  # fmt: skip
    uploader = FollowedUploader(
        whole=whole, pieces_up=pieces_up, lists=lists, seq=SEQ, stats=stats,
        followed=FollowedFiles(None, {}),
    )  # fmt: skip
    (files / os.fsdecode(NAME)).write_bytes(os.urandom(SIZE))
    with index_file.created(tmp_path / "index.sqlite"):
        pass
    tree = Tree(files, traced(tmp_path))
    with index_file.updated(tmp_path / "index.sqlite") as index:
        inode = (files / os.fsdecode(NAME)).stat().st_ino
        seen = Seen(inode, 5)
        index.put_all(
            PART, [Entry(b"", NAME, EntryType.FILE, 0o644, size=SIZE, seen=seen)], seq=SEQ
        )
        yield Scene(index, tree, keeper, carrier, lists, stats, uploader, memory)
    tree.followed.forget_all()


def test_a_new_file_that_stands_still_is_sent_whole_and_followed_for_the_pause(
    scene: Scene,
) -> None:
    assert scene.upload() == COUNT + 1  # and the list

    assert scene.digest() == scene.right()
    inode = scene.path.stat().st_ino
    assert scene.tree.followed.inodes() == [inode]
    scene.tree.followed.confirm(lambda _: b"")  # the next scan finds it changed
    assert scene.tree.followed.inodes() == []


def test_of_a_file_that_an_earlier_capture_has_only_what_changed_is_sent(scene: Scene) -> None:
    scene.remember()
    scene.write(3, 200)

    assert scene.upload() == 2
    assert len(scene.keeper.asked) == 2  # it has the others, and is not asked
    assert scene.digest() == scene.right()  # nobody wrote while it was read
    assert scene.lists.list_of(scene.right()) is not None
    assert scene.stats.hashed_bytes == SIZE


def listed_at(scene: Scene, seq: int) -> None:
    """Have the index list the file, as a capture with this number has left it."""
    scene.remember()
    scene.index.set_digest(PART, scene.entry(), scene.tree.earlier, seq=seq)
    scene.uploader.resume(scene.index, {PART: scene.tree}, "the capture before", SEQ - 1)
    scene.tree.followed.confirm(lambda inode: scene.index.digest_of_inode(PART, inode))


def test_a_file_that_stands_still_since_the_last_capture_is_followed_for_the_pause(
    scene: Scene, tmp_path: Path
) -> None:
    listed_at(scene, SEQ - 1)
    assert scene.upload() == 0
    assert scene.stats.hashed_bytes == 0

    scene.write(3)  # by a hook, after the last look
    scene.index.set_digest(PART, scene.entry(), b"", seq=SEQ)
    with Spool(tmp_path, SIZE) as spool:
        place = scene.pause(spool, 3)
        scene.uploader.upload_taken(scene.index, place)

        assert spool.used < 2 * pieces.PIECE
    assert scene.digest() == scene.right()


@pytest.mark.parametrize("seq", [SEQ, SEQ + 1])
def test_what_no_sealed_capture_has_is_not_assumed(scene: Scene, seq: int) -> None:
    listed_at(scene, seq)

    assert scene.tree.followed.inodes() == []


def test_what_changed_already_is_not_assumed(scene: Scene) -> None:
    scene.tree.changing = True

    listed_at(scene, SEQ - 1)

    assert scene.tree.followed.inodes() == []


def test_a_list_that_is_lost_before_the_end_seals_nothing(scene: Scene, tmp_path: Path) -> None:
    listed_at(scene, SEQ - 1)
    scene.index.set_digest(PART, scene.entry(), b"", seq=SEQ)
    with Spool(tmp_path, SIZE) as spool:
        place = scene.pause(spool, 3)
        scene.lists.known.clear()

        with pytest.raises(VerificationError, match="what was known of its pieces"):
            scene.uploader.upload_taken(scene.index, place)
    assert scene.digest() == b""


def test_a_file_that_is_written_to_has_no_content_before_the_pause(scene: Scene) -> None:
    scene.remember()
    scene.tree.changing = True
    assert scene.upload() == 0
    assert scene.digest() == b""

    scene.write(9)
    assert scene.upload() == 1
    assert scene.stats.hashed_bytes == SIZE + pieces.PIECE
    assert scene.digest() == b""


def test_a_file_that_changes_while_it_is_sent_whole_is_followed_from_then_on(
    scene: Scene,
) -> None:
    scene.tree.changing = True

    scene.upload()

    assert len(scene.tree.followed.inodes()) == 1
    assert scene.digest() == b""
    assert scene.upload() == 0  # its pieces are there, and no look found any dirty


def test_a_file_that_has_its_content_makes_room_for_one_that_changes(
    scene: Scene, tmp_path: Path
) -> None:
    scene.tree.followed = traced(tmp_path, limit=1)
    scene.remember()
    scene.upload()
    assert scene.tree.followed.inodes() == [scene.path.stat().st_ino]
    other = scene.path.with_name("zz.db")
    other.write_bytes(os.urandom(SIZE))
    seen = Seen(other.stat().st_ino, 5)
    entry = Entry(b"", b"zz.db", EntryType.FILE, 0o644, size=SIZE, seen=seen)
    scene.index.put(PART, entry, seq=SEQ)
    scene.tree.earlier, scene.tree.changing = b"", True

    scene.upload()

    assert scene.tree.followed.inodes() == [seen.inode]
    scene.upload()
    assert scene.tree.followed.inodes() == [seen.inode]  # which has no content yet


def test_the_list_is_made_of_what_rounds_have_read_and_what_the_pause_took(scene: Scene) -> None:
    scene.remember()
    scene.tree.changing = True
    scene.upload()
    scene.write(5)
    scene.upload()
    with scene.path.open("r+b") as file:
        file.seek(77 * pieces.PIECE)
        file.write(os.urandom(10))
    before = len(scene.carrier.sent)
    with Spool(scene.memory, SIZE) as spool:
        scene.uploader.upload_taken(scene.index, scene.pause(spool, 77))

    assert scene.digest() == scene.right()
    assert len(scene.carrier.sent) - before == 2  # a piece and the list
    assert scene.right().hex() in scene.keeper.store


def test_what_the_disk_did_not_take_is_not_sealed(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The freeze's own writing out may fail, and old blocks show again where data was."""

    def failing(_: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    scene.remember()
    scene.tree.changing = True
    scene.upload()
    with Spool(scene.memory, SIZE) as spool:
        taken = scene.pause(spool, 77)
        monkeypatch.setattr(os, "fdatasync", failing)
        with pytest.raises(VerificationError, match="the disk did not take what was written"):
            scene.uploader.upload_taken(scene.index, taken)

    assert scene.digest() == b""


def test_what_the_trace_does_not_tell_the_list_does_not_have(scene: Scene) -> None:
    """The control: the list is of what was told, and is not read again in secret."""
    scene.tree.changing = True
    scene.remember()
    scene.upload()
    with scene.path.open("r+b") as file:
        file.write(os.urandom(10))
    with Spool(scene.memory, SIZE) as spool:
        scene.uploader.upload_taken(scene.index, scene.pause(spool))

    assert scene.digest() not in {b"", scene.right()}


def test_a_file_whose_pieces_arrive_otherwise_is_followed_no_more(scene: Scene) -> None:
    scene.remember()
    scene.write(4)
    scene.tree.changing = True
    scene.carrier.spoils = True

    scene.upload()

    assert scene.digest() == b""
    assert scene.tree.followed.inodes() == []
    assert not scene.tree.followed.takes(scene.path.stat().st_ino)


def test_what_arrives_otherwise_after_the_pause_leaves_the_file_pending(scene: Scene) -> None:
    scene.remember()
    scene.tree.changing = True
    scene.upload()
    scene.carrier.spoils = True
    with Spool(scene.memory, SIZE) as spool:
        scene.uploader.upload_taken(scene.index, scene.pause(spool, 1))

    assert scene.digest() == b""


def test_another_file_in_its_place_is_not_taken_for_it(scene: Scene) -> None:
    scene.remember()
    (scene.tree.folder / "new").write_bytes(os.urandom(SIZE))
    (scene.tree.folder / "new").rename(scene.path)
    scene.tree.changing = True

    scene.upload()

    assert scene.tree.followed.inodes() == []
    assert scene.digest() == b""


def test_a_file_that_is_gone_is_passed_over(scene: Scene) -> None:
    scene.remember()
    scene.tree.gone = True

    assert scene.upload() == 0
    assert scene.tree.followed.inodes() == []


def test_a_file_that_cannot_be_read_in_pieces_is_followed_no_more(scene: Scene) -> None:
    scene.remember()
    scene.tree.changing = True
    scene.tree.followed = traced(scene.memory, UnreadableMap)

    scene.upload()

    assert scene.tree.opened  # it was tried
    assert scene.tree.followed.inodes() == []
    assert not scene.tree.followed.takes(scene.path.stat().st_ino)
