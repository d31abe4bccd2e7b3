import errno
import hashlib
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from holdstill.board.full_scan import Entered
from holdstill.errors import LinkError, VerificationError
from holdstill.model import pieces
from holdstill.model.entries import Entry, EntryType, Omitted, Seen
from holdstill.model.pieces import PieceList
from holdstill.model.protocol import (
    Lacking,
    RunStarted,
)
from holdstill.records import index_file, index_queries
from holdstill.system.clocks import SystemClock
from holdstill.transport.rsync import TransferMode
from holdstill.workflow import upload
from holdstill.workflow.delivery import AHEAD, Deliveries, Delivery, TransferStats
from holdstill.workflow.line_meter import LineMeter
from holdstill.workflow.upload import Uploader
from holdstill.workflow.upload_pieces import PieceUploader
from support.keeping import FakeClock
from support.uploads import NONCE, Carrier, Keeper, Lists

PART, SEQ = 2, 7


def entry(name: bytes, content: bytes, *, inode: int = 1, link: int = 0, sparse: int = 0) -> Entry:
    return Entry(b"", name, EntryType.FILE, 0o644, size=len(content), link=link, sparse=sparse,
                 seen=Seen(inode, 5))  # fmt: skip


class Silent:
    """Hears everything and says nothing."""

    notes: list[str]

    def __init__(self) -> None:
        self.notes = []
        self.updated: Callable[[], object] = lambda: None

    def step(self, what: str) -> None:
        pass

    def update(self, done: int, total: int) -> None:
        assert 0 <= done <= total
        self.updated()

    def warn(self, text: str) -> None:
        self.notes.append(text)

    def muted(self) -> AbstractContextManager[None]:
        return nullcontext()


@dataclass
class Place:
    """Files of a board, in a folder; some of them misbehave."""

    folder: Path
    unreadable: frozenset[bytes] = frozenset()
    changing: set[bytes] = field(default_factory=set)
    earlier: dict[bytes, bytes] = field(default_factory=dict)
    part: int = PART

    def open(self, found: Entry) -> int:
        if found.path in self.unreadable:
            raise OSError(errno.EIO, "input/output error")
        return os.open(self.path(found), os.O_RDONLY)

    def path(self, found: Entry) -> Path:
        return self.folder / os.fsdecode(found.path)

    def is_same(self, found: Entry, handle: int) -> bool:
        return found.path not in self.changing

    def older(self, found: Entry) -> bytes:
        return self.earlier.get(found.path, b"")


@dataclass
class Scene:
    """A bank with everything around it."""

    index: index_queries.Index
    place: Place
    keeper: Keeper
    carrier: Carrier
    ingest: Uploader
    told: Silent

    def put(self, *entries: Entry) -> None:
        self.index.put_all(PART, entries, seq=SEQ)

    def digest(self, name: bytes) -> str:
        found = self.index.get(PART, name)
        assert found is not None
        return found.digest.hex()


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    keeper, told = Keeper(), Silent()
    carrier = Carrier(keeper)
    begun = RunStarted(run="runrunru", seq=SEQ, previous="", folders=("one", "two"))
    stats = TransferStats()

    def delivery() -> Delivery:
        return Delivery(keeper=keeper, transfer=carrier, run=begun, stats=stats)

    deliveries = Deliveries(delivery)
    meter = LineMeter(FakeClock(), rate=1e9)
    pieces_up = PieceUploader(deliveries=deliveries, memory=tmp_path, stats=stats, meter=meter)
    bank = Uploader(
        keeper=keeper, deliveries=deliveries, run=begun, progress=told, pieces_up=pieces_up,
        lists=Lists(), stats=stats, meter=meter,
    )  # fmt: skip
    (tmp_path / "files").mkdir()
    with index_file.created(tmp_path / "index.sqlite"):
        pass
    with index_file.updated(tmp_path / "index.sqlite") as index:
        yield Scene(index, Place(tmp_path / "files"), keeper, carrier, bank, told)


def write(scene: Scene, name: str, content: bytes) -> str:
    (scene.place.folder / name).write_bytes(content)
    return hashlib.sha256(content).hexdigest()


def test_what_the_keeper_lacks_is_sent_and_what_it_has_is_not(scene: Scene) -> None:
    new, known = write(scene, "new", b"new"), write(scene, "known", b"known")
    scene.keeper.store.add(known)
    scene.put(entry(b"new", b"new", inode=1), entry(b"known", b"known", inode=2))

    scene.ingest.upload_pending(scene.index, scene.place)

    assert scene.carrier.sent == [(new, TransferMode.PLAIN)]
    assert (scene.digest(b"new"), scene.digest(b"known")) == (new, known)
    assert scene.ingest.stats.new_bytes == 3


def test_one_content_under_two_names_is_sent_once(scene: Scene) -> None:
    digest = write(scene, "one", b"same")
    write(scene, "two", b"same")
    scene.put(entry(b"one", b"same", inode=1), entry(b"two", b"same", inode=2))

    scene.ingest.upload_pending(scene.index, scene.place)

    assert scene.carrier.sent == [(digest, TransferMode.PLAIN)]


def put_each_in_its_own_batch(scene: Scene, *names: str) -> None:
    for number, name in enumerate(names, 1):
        scene.put(entry(name.encode(), (scene.place.folder / name).read_bytes(), inode=number))
    scene.ingest._first = 1


def numbered(scene: Scene, count: int, *, first: int = 1) -> list[Entry]:
    """Make files, and enter them as a scan does."""
    found = []
    for number in range(first, first + count):
        write(scene, f"{number}", b"%d" % number)
        found.append(entry(b"%d" % number, b"%d" % number, inode=number))
    scene.put(*found)
    return found


def await_sent(scene: Scene, count: int) -> None:
    clock = SystemClock()
    deadline = clock.monotonic() + 10
    while len(scene.keeper.store) < count:
        assert clock.monotonic() < deadline, "nothing is sent before the scan has ended"
        clock.sleep(0.01)


@contextmanager
def scanning(scene: Scene) -> Iterator[Entered]:
    """Send alongside a scan, for which the block stands."""
    with (
        scene.ingest.flowing(scene.index),
        scene.ingest.alongside(scene.index, scene.place) as entered,
    ):
        yield entered


def test_what_a_scan_finds_is_sent_while_it_goes_on_and_the_rest_is_left(scene: Scene) -> None:
    scene.ingest._first = 3
    with scanning(scene) as entered:
        entered(numbered(scene, 2))
        assert [scene.digest(b"%d" % n) for n in (1, 2)] == ["", ""]
        entered(numbered(scene, 2, first=3))
        hashed = [scene.digest(b"%d" % n) for n in (1, 2, 3, 4)]
        await_sent(scene, 4)
        entered(numbered(scene, 2, first=5))

    assert scene.keeper.store == set(hashed)
    assert (scene.digest(b"5"), scene.digest(b"6")) == ("", "")
    scene.ingest.upload_pending(scene.index, scene.place)
    assert len(scene.carrier.sent) == len(scene.keeper.store) == 6


def test_what_follows_a_scan_does_not_wait_until_all_of_it_has_arrived(scene: Scene) -> None:
    scene.ingest._first = 1
    may_go_on = threading.Event()

    def wait() -> None:
        assert may_go_on.wait(10), "the next batch waits for this one"

    scene.carrier.before = wait
    with scene.ingest.flowing(scene.index):
        with scene.ingest.alongside(scene.index, scene.place) as entered:
            entered(numbered(scene, 1))
        scene.put(*numbered(scene, 1, first=2))
        scene.told.updated = may_go_on.set  # the next batch is hashed: nobody has waited
        scene.ingest.upload_pending(scene.index, scene.place)

    assert len(scene.keeper.store) == 2


def test_a_scan_waits_for_nobody(scene: Scene) -> None:
    scene.ingest._first = 1
    may_go_on = threading.Event()
    scene.carrier.before = lambda: may_go_on.wait(30)
    with scanning(scene) as entered:
        for number in range(1, 41):
            entered(numbered(scene, 1, first=number))
        hashed = scene.ingest.stats.hashed_files
        may_go_on.set()

    assert hashed == sum(2**batch for batch in range(AHEAD))
    scene.ingest.upload_pending(scene.index, scene.place)
    assert len(scene.keeper.store) == scene.ingest.stats.hashed_files == 40


def test_a_file_with_several_names_is_left_until_all_are_known(scene: Scene) -> None:
    scene.ingest._first = 1
    write(scene, "a", b"linked")
    with scanning(scene) as entered:
        for name in (b"a", b"b"):
            one = entry(name, b"linked", inode=9, link=9)
            scene.put(one)
            entered([one])

    assert scene.ingest.stats.hashed_files == 0
    scene.ingest.upload_pending(scene.index, scene.place)
    assert scene.ingest.stats.hashed_files == 1


def test_what_did_not_arrive_during_a_scan_is_pending_again(scene: Scene) -> None:
    scene.ingest._first = 1
    scene.carrier.spoils = True
    with scanning(scene) as entered:
        entered(numbered(scene, 1))
        assert scene.digest(b"1") != ""

    assert scene.digest(b"1") == ""


def test_of_a_scan_that_is_cut_off_nothing_stays_and_what_it_sent_is_not_sent_again(
    scene: Scene, tmp_path: Path
) -> None:
    scene.index.commit()
    scene.ingest._first = 2

    def cut_off() -> None:
        with (
            index_file.updated(tmp_path / "index.sqlite") as index,
            scene.ingest.flowing(index),
            scene.ingest.alongside(index, scene.place) as entered,
        ):
            scene.index = index
            entered(numbered(scene, 2))
            await_sent(scene, 2)
            raise LinkError("told to end")

    known = scene.index
    with pytest.raises(LinkError):
        cut_off()
    scene.index = known
    assert scene.index.get(PART, b"1") is None

    numbered(scene, 2)
    scene.ingest.upload_pending(scene.index, scene.place)
    assert len(scene.carrier.sent) == 2
    assert scene.digest(b"1") != ""


def test_a_content_that_is_on_its_way_is_not_asked_about_again(scene: Scene) -> None:
    digest = write(scene, "a", b"same")
    write(scene, "b", b"same")
    put_each_in_its_own_batch(scene, "a", "b")

    scene.ingest.upload_pending(scene.index, scene.place)

    assert [wanted.digest for wanted in scene.keeper.asked] == [digest]
    assert scene.carrier.sent == [(digest, TransferMode.PLAIN)]
    assert scene.digest(b"a") == scene.digest(b"b") == digest


def test_whoever_counted_on_a_content_that_did_not_arrive_is_pending_again(scene: Scene) -> None:
    write(scene, "a", b"before")
    write(scene, "b", b"before")
    write(scene, "c", b"another")
    put_each_in_its_own_batch(scene, "a", "b", "c")
    scene.carrier.before = lambda: write(scene, "a", b"after!")

    scene.ingest.upload_pending(scene.index, scene.place)

    assert (scene.digest(b"a"), scene.digest(b"b")) == ("", "")
    assert scene.digest(b"c") != ""


def test_all_names_of_an_inode_get_its_digest_and_it_is_read_once(scene: Scene) -> None:
    digest = write(scene, "a", b"linked")
    scene.put(entry(b"a", b"linked", inode=9, link=9), entry(b"b", b"linked", inode=9, link=9))

    scene.ingest.upload_pending(scene.index, scene.place)

    assert scene.digest(b"a") == scene.digest(b"b") == digest
    assert scene.ingest.stats.hashed_files == 1


def test_c3_file_grows_a_file_that_changes_under_our_hands_stays_pending(scene: Scene) -> None:
    write(scene, "log", b"text")
    scene.place.changing.add(b"log")
    scene.put(entry(b"log", b"text"))

    scene.ingest.upload_pending(scene.index, scene.place)

    assert scene.digest(b"log") == ""
    assert scene.carrier.sent == []


def test_c10_file_grows_what_arrives_otherwise_than_it_was_hashed_is_pending_again(
    scene: Scene,
) -> None:
    write(scene, "hot", b"before")
    scene.put(entry(b"hot", b"before"))
    scene.carrier.before = lambda: write(scene, "hot", b"after!")

    scene.ingest.upload_pending(scene.index, scene.place)

    assert scene.digest(b"hot") == ""
    assert scene.keeper.store == set()


def test_c3_file_vanishes_a_large_file_that_is_gone_while_it_is_sent_stays_pending(
    scene: Scene,
) -> None:
    content = bytes(range(1, 256)) * (pieces.PIECED_FROM // 255 + 1)
    (scene.place.folder / "log").write_bytes(content)
    scene.put(entry(b"log", content))

    scene.keeper.meanwhile = (scene.place.folder / "log").unlink
    scene.ingest.upload_pending(scene.index, scene.place)

    assert scene.digest(b"log") == ""


def test_a_large_file_in_whose_place_there_is_a_pipe_holds_nobody_up(scene: Scene) -> None:
    content = bytes(range(1, 256)) * (pieces.PIECED_FROM // 255 + 1)
    (scene.place.folder / "log").write_bytes(content)
    scene.put(entry(b"log", content))

    def replace() -> None:
        (scene.place.folder / "log").unlink()
        os.mkfifo(scene.place.folder / "log")

    scene.keeper.meanwhile = replace
    scene.ingest.upload_pending(scene.index, scene.place)

    assert scene.digest(b"log") == ""


def test_c3_read_error_an_unreadable_file_is_tried_twice_then_listed_and_never_zero_filled(
    scene: Scene,
) -> None:
    scene.place.unreadable = frozenset({b"bad"})
    scene.put(entry(b"bad", b"gone"))

    scene.ingest.upload_pending(scene.index, scene.place)

    found = scene.index.get(PART, b"bad")
    assert found is not None
    assert found.omitted is Omitted.UNREADABLE
    assert scene.ingest.stats.unreadable == [(PART, b"bad")]
    assert "cannot read bad" in scene.told.notes[0]


def test_sparse_files_go_in_a_batch_of_their_own(scene: Scene) -> None:
    plain, holes = write(scene, "plain", b"plain"), write(scene, "holes", bytes(9))
    scene.put(entry(b"plain", b"plain", inode=1), entry(b"holes", bytes(9), inode=2, sparse=1))

    scene.ingest.upload_pending(scene.index, scene.place)

    assert dict(scene.carrier.sent) == {plain: TransferMode.PLAIN, holes: TransferMode.SPARSE}


def test_a_large_changed_file_names_its_older_content(scene: Scene) -> None:
    content, older = bytes(2 << 20), b"\1" * 32
    write(scene, "db", content)
    scene.place.earlier[b"db"] = older
    scene.put(entry(b"db", content))

    scene.ingest.upload_pending(scene.index, scene.place)

    assert [wanted.basis for wanted in scene.keeper.asked] == [older.hex()]


def test_what_a_cut_run_hashed_but_never_brought_is_brought_by_the_next(scene: Scene) -> None:
    digest = write(scene, "file", b"hashed, then the link was cut")
    cut = entry(b"file", b"hashed, then the link was cut")._replace(digest=bytes.fromhex(digest))
    scene.put(cut)

    scene.ingest.requeue_missing(scene.index, since=SEQ)
    scene.ingest.upload_pending(scene.index, scene.place)

    assert scene.keeper.store == {digest}


def test_what_earlier_captures_brought_is_not_asked_for_again(scene: Scene) -> None:
    digest = write(scene, "old", b"old")
    scene.index.put(PART, entry(b"old", b"old")._replace(digest=bytes.fromhex(digest)), seq=3)

    scene.ingest.requeue_missing(scene.index, since=SEQ)

    assert scene.keeper.asked == []


def test_a_lacking_content_that_the_board_no_longer_has_ends_the_run(scene: Scene) -> None:
    digest = write(scene, "file", b"before")
    known = entry(b"file", b"before")._replace(digest=bytes.fromhex(digest))
    scene.put(known)
    write(scene, "file", b"after!")

    with pytest.raises(VerificationError, match="changed on the board"):
        scene.ingest.resend(scene.index, {PART: scene.place}, Lacking(send=(digest,)))


LARGE = pieces.PIECED_FROM + 5
"""Bytes of a file that is stored in pieces, the last of them a short one."""


def large(change: bytes = b"") -> bytes:
    """Return a large content: a piece of data, holes, and data at the end."""
    head = (change + b"a" * pieces.PIECE)[: pieces.PIECE]
    return head + bytes(LARGE - pieces.PIECE - 3) + b"end"


def listed(content: bytes) -> PieceList:
    return pieces.of_reader(
        len(content), pieces.PIECE, lambda start, count: content[start : start + count]
    )


def test_a_large_file_is_sent_in_pieces_and_its_holes_are_not(scene: Scene) -> None:
    content = large()
    write(scene, "db", content)
    scene.put(entry(b"db", content, inode=1))

    scene.ingest.upload_pending(scene.index, scene.place)

    sent = {digest for digest, _ in scene.carrier.sent}
    found = {digest.hex() for digest, _ in listed(content).pieces()}
    assert len(found) == 2
    assert sent == {*found, listed(content).digest().hex()}
    assert scene.digest(b"db") == listed(content).digest().hex()


def test_only_files_that_are_stored_in_pieces_are_large_and_each_inode_once(scene: Scene) -> None:
    least = pieces.PIECED_FROM
    sizes = {b"a": least - 1, b"b": least, b"c": least, b"d": least + 1}
    for number, (name, size) in enumerate(sizes.items(), 1):
        scene.put(entry(name, b"", inode=min(number, 3))._replace(size=size))
    scene.put(entry(b"e", b"", inode=9)._replace(size=least, digest=bytes(32)))

    assert [found.name for found in upload.pending_large(scene.index, PART)] == [b"b", b"c"]


def test_of_a_large_file_only_the_pieces_that_changed_are_asked_for(scene: Scene) -> None:
    before, after = large(), large(b"!")
    scene.ingest._lists.save_list(listed(before))
    scene.place.earlier[b"db"] = listed(before).digest()
    write(scene, "db", after)
    scene.put(entry(b"db", after, inode=1))

    scene.ingest.upload_pending(scene.index, scene.place)

    changed = {d for d, _ in listed(after).pieces()} - {d for d, _ in listed(before).pieces()}
    sent = {digest for digest, _ in scene.carrier.sent}
    assert sent == {d.hex() for d in changed} | {listed(after).digest().hex()}
    assert len(sent) == 2


def test_of_several_large_files_on_one_way_the_one_that_changes_stays_pending(
    scene: Scene,
) -> None:
    contents = {b"a": large(b"1"), b"b": large(b"2"), b"c": large(b"3")}
    for number, (name, content) in enumerate(contents.items(), 1):
        write(scene, name.decode(), content)
        scene.put(entry(name, content, inode=number))

    def change() -> None:
        with (scene.place.folder / "b").open("r+b") as changed:
            changed.write(b"0")

    scene.keeper.meanwhile = change
    scene.ingest.upload_pending(scene.index, scene.place)

    found = {name: scene.digest(name) for name in contents}
    whole = {name: listed(content).digest().hex() for name, content in contents.items()}
    assert found == whole | {b"b": ""}
    assert len(scene.carrier.folders) == 1, "sent together"


def test_a_large_file_is_done_when_its_last_batch_is_and_not_before(scene: Scene) -> None:
    """More pieces than a batch may have: files begin in one and end in another."""
    contents = {name: os.urandom(LARGE) for name in (b"a", b"b", b"c")}
    for number, (name, content) in enumerate(contents.items(), 1):
        write(scene, name.decode(), content)
        scene.put(entry(name, content, inode=number))
    scene.ingest._pieces._most = 20 << 20

    scene.ingest.upload_pending(scene.index, scene.place)

    assert {n: scene.digest(n) for n in contents} == {
        n: listed(content).digest().hex() for n, content in contents.items()
    }
    assert len(scene.carrier.folders) == 3


def test_h2_what_another_board_sent_is_proven_and_not_sent(scene: Scene) -> None:
    digest = write(scene, "file", b"of both boards")
    scene.keeper.others[digest] = b"of both boards"
    scene.put(entry(b"file", b"of both boards"))

    scene.ingest.upload_pending(scene.index, scene.place)

    assert (scene.carrier.sent, scene.keeper.store) == ([], {digest})
    assert scene.digest(b"file") == digest


def test_h2_pieces_and_their_list_are_proven_like_files(scene: Scene) -> None:
    content = bytes(pieces.PIECED_FROM - pieces.PIECE) + b"\1" * pieces.PIECE
    write(scene, "db", content)
    listed = pieces.of_reader(len(content), pieces.PIECE, lambda at, n: content[at : at + n])
    bodies = [listed.encode(), b"\1" * pieces.PIECE]
    scene.keeper.others = {hashlib.sha256(body).hexdigest(): body for body in bodies}
    scene.put(entry(b"db", content))

    scene.ingest.upload_pending(scene.index, scene.place)

    assert (scene.carrier.sent, scene.keeper.others) == ([], {})
    assert scene.digest(b"db") == listed.digest().hex()


@pytest.mark.parametrize("now", [b"otherwise now", b"gone", b"short"])
def test_h2_what_changed_before_it_was_proven_is_pending_again(scene: Scene, now: bytes) -> None:
    content = b"as it was found"
    digest = hashlib.sha256(content).hexdigest()
    write(scene, "file", now)
    scene.keeper.others[digest] = content
    scene.put(entry(b"file", content)._replace(digest=bytes.fromhex(digest)))

    with pytest.raises(VerificationError, match="changed on the board"):
        scene.ingest.resend(
            scene.index, {PART: scene.place}, Lacking(prove=(digest,), nonce=NONCE)
        )

    assert scene.keeper.store == set()


def test_h2_what_is_to_be_proven_at_sealing_is_proven(scene: Scene) -> None:
    digest = write(scene, "file", b"of both boards")
    scene.put(entry(b"file", b"of both boards")._replace(digest=bytes.fromhex(digest)))
    scene.keeper.others[digest] = b"of both boards"

    scene.ingest.resend(scene.index, {PART: scene.place}, Lacking(prove=(digest,), nonce=NONCE))

    assert (scene.carrier.sent, scene.keeper.store) == ([], {digest})


def test_h2_a_pipe_in_a_files_place_holds_nobody_up(scene: Scene) -> None:
    digest = hashlib.sha256(b"was a file").hexdigest()
    os.mkfifo(scene.place.folder / "file")
    scene.put(entry(b"file", b"was a file")._replace(digest=bytes.fromhex(digest)))
    (file,) = upload._held(scene.index, {PART: scene.place}, [digest])

    assert file.keyed(NONCE) is None
