"""Garbage collection loses nothing that a capture of any board needs, and fails safe."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import sqlite3
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import (
    account_captures,
    enrolment,
    fetch_staging,
    garbage,
    references,
    repair,
    thin,
    trash,
)
from holdstill.keeper import store as stores
from holdstill.keeper.board_captures import StoredCapture
from holdstill.keeper.content_store import SHARDS
from holdstill.keeper.local import LocalKeeper
from holdstill.model import names
from holdstill.model.names import CaptureName
from holdstill.model.protocol import WantedContent
from holdstill.model.settings import Retention
from holdstill.records import capture_contents, manifest_file
from holdstill.system.clocks import SystemClock
from support import keeping
from support.keeping import OTHER_KEY, PIER_3, PIER_4, Board, FakeClock, FakeSignatures, QuickDisk

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from holdstill.keeper.garbage import CollectedGarbage
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName

LocalBoard = Board[LocalKeeper]
NEWEST = Retention(days=0, weeks=0, months=0, years=0, at_least=1)
DAY = 86_400


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def store(tmp_path: Path, clock: FakeClock) -> Store:
    """A store with two boards, two captures each, and a content that nobody needs."""
    made = keeping.make_store(tmp_path / "boathouse", clock=clock)
    enrolment.enrol(made, PIER_4, OTHER_KEY, clock=clock, limits=None)
    for name in (PIER_3, PIER_4):
        board = board_of(made, clock, name)
        for number in range(2):
            clock.advance(60)
            board.files[b"srv/reading"] = b"%b: %d" % (name.encode(), number)
            board.capture()
    unused = hashlib.sha256(b"unused").hexdigest()
    made.contents.path(names.check_digest(unused)).write_bytes(b"unused")
    for held in made.contents.all():
        os.utime(held.path, times=(held.written_at - 10 * DAY,) * 2)
    return made


def board_of(store: Store, clock: FakeClock, name: BoardName = PIER_3) -> LocalBoard:
    key = keeping.KEY if name == PIER_3 else OTHER_KEY
    return Board(
        keeping.keeper_of(store, clock=clock, board=name),
        name=name,
        clock=clock,
        files={b"etc/same": b"on both boards"},
        sign=lambda data: keeping.seal_of(data, name, key),
    )


def contents(store: Store) -> set[str]:
    return {held.digest for held in store.contents.all()}


def digests(*bodies: bytes) -> set[str]:
    return {hashlib.sha256(body).hexdigest() for body in bodies}


ALL = {b"on both boards", b"pier-3: 0", b"pier-3: 1", b"pier-4: 0", b"pier-4: 1"}


def left(store: Store) -> set[bytes]:
    """Return which files' contents are still there; all captures must be whole, pieces and all."""
    for name in (PIER_3, PIER_4):
        for folder in (store.board_folder(name) / "captures").iterdir():
            capture = StoredCapture(name, CaptureName.parse(folder.name), folder, store.contents)
            for digest, size in capture_contents.needed(capture):
                assert store.contents.size(names.check_digest(digest.hex())) == size
    known = {*ALL, b"unused", b"one more"}
    return {body for body in known if digests(body) <= contents(store)}


def test_what_an_interrupted_deletion_left_goes_without_a_time_of_grace(
    store: Store, clock: FakeClock
) -> None:
    left = store.trash / "discarded-0123456789abcdef"
    (left / "folder").mkdir(parents=True)
    (left / "folder/bytes").write_bytes(b"unchecked")

    keeping.collect(store, clock)

    assert not left.exists()


def test_only_what_no_capture_needs_goes(store: Store, clock: FakeClock) -> None:
    found = keeping.collect(store, clock)

    assert (found.contents, found.complaints) == (1, ())
    assert left(store) == ALL


def test_what_goes_can_be_had_back_for_the_time_of_grace(store: Store, clock: FakeClock) -> None:
    found = keeping.collect(store, clock, grace=3 * DAY)

    assert (found.contents, found.given_back) == (1, 0)
    (digest,) = digests(b"unused")
    assert trash.take_back(store, names.check_digest(digest))
    assert digest in contents(store)


def test_what_was_laid_out_for_a_fetch_goes_after_a_day_of_the_keepers_clock(
    store: Store, clock: FakeClock
) -> None:
    folder = fetch_staging.folder(store, PIER_3)
    ages = {"given-up": DAY + 1, "on-its-way": DAY - 1}
    for name, age in ages.items():
        (folder / name).mkdir(parents=True)
        os.utime(folder / name, times=(clock.now().timestamp() - age,) * 2)

    keeping.collect(store, clock)

    assert [left.name for left in folder.iterdir()] == ["on-its-way"]


def left_over(store: Store, clock: FakeClock) -> tuple[Path, list[str]]:
    """Have a run of a board that shares nothing end in the middle; return its staging."""
    keeper = keeping.keeper_of(store, clock=clock, is_sharing=False)
    begun = keeper.begin()
    body = b"half of a first capture"
    (digest,) = digests(body)
    keeper.lacking([WantedContent(digest=digest, size=len(body))])
    keeping.put({digest: body}, begun.folders[0])
    keeper.ingest([digest])
    keeper.abandon()
    staging = Path(begun.folders[0]).parent
    clock.advance(staging.stat().st_mtime - clock.now().timestamp())
    return staging, [digest]


@pytest.mark.parametrize(("days", "is_kept"), [(1, True), (6.9, True), (7.1, False)])
def test_what_a_board_has_shown_is_kept_from_night_to_night(
    store: Store, clock: FakeClock, days: float, *, is_kept: bool
) -> None:
    """Else a first capture over a thin line, of several nights, begins anew each night."""
    staging, sent = left_over(store, clock)
    clock.advance(days * DAY)

    keeping.collect(store, clock, grace=30 * DAY)

    assert staging.exists() == is_kept
    keeper = keeping.keeper_of(store, clock=clock, is_sharing=False)
    keeper.begin()
    wanted = [WantedContent(digest=digest, size=23) for digest in sent]
    assert keeper.lacking(wanted).send == (() if is_kept else tuple(sent))


def test_a_run_that_is_gone_on_with_each_night_is_not_old(store: Store, clock: FakeClock) -> None:
    staging, _ = left_over(store, clock)
    long_ago = clock.now().timestamp() - 30 * DAY
    for path in (staging, staging / "begun", *staging.glob("contents-*")):
        os.utime(path, times=(long_ago, long_ago))

    keeping.collect(store, clock)

    assert staging.exists()


class Interleaved(stores.Store):
    """A store in which others get on with their work before a collection looks at a shard."""

    meanwhile: dict[int, Callable[[], object]] = {}  # noqa: RUF012  set by the test
    looks = 0

    @contextmanager
    def alone_with_contents(self) -> Iterator[None]:
        Interleaved.looks += 1
        Interleaved.meanwhile.pop(Interleaved.looks, lambda: None)()
        with super().alone_with_contents():
            yield


def test_h21_what_a_run_brings_that_began_during_a_collection_stays(
    store: Store, clock: FakeClock
) -> None:
    board = board_of(store, clock)
    board.files = {b"srv/new": b"of a run that begins meanwhile"}
    (new,) = digests(*board.files.values())

    def begin_and_send() -> None:
        board.deliver(board.keeper.begin())

    Interleaved.looks, Interleaved.meanwhile = 0, {1: begin_and_send}
    held = Interleaved(store.root, store.facts, store.disk)

    found = keeping.collect(held, clock)

    assert (found.contents, Interleaved.meanwhile) == (1, {})
    assert new in contents(store)


def test_what_went_before_nobody_could_tell_any_more_is_told(
    store: Store, clock: FakeClock
) -> None:
    """Another counts anew, and meets an index that cannot be read, when most shards are done."""
    newest = capture_of(store, PIER_4, 1)

    def lose_count() -> None:
        with references.opened(store) as known:
            known.remove(PIER_4, [newest.name])
        manifest = manifest_file.decode((newest / "manifest.yaml").read_bytes())
        store.contents.path(names.check_digest(manifest.index.sha256)).unlink()

    (unused,) = digests(b"unused")
    path = store.contents.path(names.check_digest(unused))
    blocks = path.stat().st_blocks
    assert path.parent.name < SHARDS[-1]
    Interleaved.looks, Interleaved.meanwhile = 0, {len(SHARDS): lose_count}
    held = Interleaved(store.root, store.facts, store.disk)

    found = keeping.collect(held, clock, grace=DAY)

    assert (found.contents, found.bytes) == (1, blocks * 512)
    assert (found.given_back, found.early) == (0, 0)
    (complaint,) = found.complaints
    assert complaint.startswith("pier-4: ")


@pytest.mark.parametrize(("minutes", "is_kept"), [(59, True), (61, False)])
def test_h21_a_content_is_a_runs_up_to_an_hour_before_the_date_of_its_staging(
    store: Store, clock: FakeClock, minutes: int, *, is_kept: bool
) -> None:
    board = board_of(store, clock)
    begun = board.keeper.begin()
    marker = Path(begun.folders[0]).parent / "begun"
    (digest,) = digests(b"unused")
    path = store.contents.path(names.check_digest(digest))
    written = marker.stat().st_mtime - minutes * 60
    os.utime(path, times=(written, written))

    keeping.collect(store, clock)

    assert path.exists() == is_kept


def test_what_a_run_brings_is_not_spared_for_ever(store: Store, clock: FakeClock) -> None:
    """A thief may keep a run open: after two days nothing is held back for it any more."""
    thief = board_of(store, clock, PIER_4)
    begun = thief.keeper.begin()
    written = (Path(begun.folders[0]).parent / "begun").stat().st_mtime
    (digest,) = digests(b"unused")
    path = store.contents.path(names.check_digest(digest))
    os.utime(path, times=(written, written))
    clock.advance(written - clock.now().timestamp())

    found = []
    for hours in (47, 3):
        clock.advance(hours * 3600)
        found.append(keeping.collect(store, clock).contents)

    assert found == [0, 1]
    assert thief.keeper.begin().run == begun.run


@pytest.mark.parametrize("seed", range(3))
def test_a_flipped_bit_in_the_references_lets_nothing_go_that_is_needed(
    store: Store, clock: FakeClock, seed: int
) -> None:
    """What is needed is read out of an index of SQLite's, the sums that guard it are not."""
    chance = random.Random(seed)  # noqa: S311  no secret
    path = store.root / references.NAME
    sound = path.read_bytes()
    for _ in range(12):
        damaged = bytearray(sound)
        bit = chance.randrange(len(damaged) * 8)
        damaged[bit // 8] ^= 1 << bit % 8
        references.discard(store)
        path.write_bytes(damaged)

        keeping.collect(store, clock, grace=30 * DAY)

        assert left(store) >= ALL, f"bit {bit}"


@pytest.mark.parametrize("damage", ["recount", "references lost", "references damaged"])
def test_h20_the_folder_of_a_board_that_is_gone_is_missed_whatever_is_counted_anew(
    store: Store, clock: FakeClock, damage: str
) -> None:
    """A disk that is not mounted, or a folder that was moved while somebody repairs."""
    away = store.root.parent / "away"
    store.board_folder(PIER_4).rename(away)

    if damage == "recount":
        assert any("is gone" in text for text in account_captures.recount(store))
    elif damage == "references lost":
        references.discard(store)
    else:
        (store.root / references.NAME).write_bytes(b"no database" * 1000)
    found = keeping.collect(store, clock)

    assert (found.contents, store.lost_boards()) == (0, (PIER_4,))
    assert any(str(store.board_folder(PIER_4)) in text for text in found.complaints)
    away.rename(store.board_folder(PIER_4))
    assert keeping.collect(store, clock).complaints == ()
    assert left(store) == ALL


def test_h20_a_board_that_its_owner_gives_up_is_forgotten(store: Store, clock: FakeClock) -> None:
    shutil.rmtree(store.board_folder(PIER_4))

    account_captures.forget_board(store, PIER_4)
    found = keeping.collect(store, clock)

    assert found.complaints == ()
    assert digests(b"pier-4: 0", b"pier-4: 1").isdisjoint(contents(store))
    assert digests(b"on both boards", b"pier-3: 0", b"pier-3: 1") <= contents(store)


@pytest.mark.parametrize("memory", ["gone", "empty"])
@pytest.mark.parametrize("counted", ["gone", "rubbish"])
def test_h20_where_nothing_is_known_of_any_board_no_content_goes(
    store: Store, clock: FakeClock, memory: str, counted: str
) -> None:
    """boards/ is an empty mount point, say, and the store's own files were lost with it."""
    boards, away = store.root / "boards", store.root.parent / "away"
    boards.rename(away)
    boards.mkdir()
    remembered, references_file = store.root / stores.REMEMBERED, store.root / references.NAME
    kept = remembered.read_bytes()
    remembered.write_bytes(b"")
    references_file.write_bytes(b"no database" * 1000)
    for path, state in ((remembered, memory), (references_file, counted)):
        if state == "gone":
            path.unlink()

    for found in (keeping.collect(store, clock), keeping.collect(store, clock)):
        assert (found.contents, len(found.complaints)) == (0, 1)
        assert found.complaints[0].startswith(f"{store.root / 'content'}: there are contents, and")
    assert account_captures.recount(store) == found.complaints
    error = account_captures.nobodys_contents(store)
    assert str(error) == found.complaints[0]

    boards.rmdir()
    away.rename(boards)
    remembered.write_bytes(kept)
    assert account_captures.nobodys_contents(store) is None
    assert keeping.collect(store, clock).complaints == ()
    assert left(store) == ALL


def test_h20_the_contents_of_boards_that_are_all_given_up_go(
    store: Store, clock: FakeClock
) -> None:
    for board in (PIER_3, PIER_4):
        shutil.rmtree(store.board_folder(board))
        account_captures.forget_board(store, board)
    before = account_captures.nobodys_contents(store)

    found = keeping.collect(store, clock)

    assert before is None
    assert found.complaints == ()
    assert contents(store) == set()
    assert account_captures.nobodys_contents(store) is None


def test_h16_a_copy_without_its_empty_folders_is_a_store(
    store: Store, clock: FakeClock, tmp_path: Path
) -> None:
    copy = copied_without_links(store, tmp_path / "copy")
    empty = [p for p in sorted(copy.root.rglob("*"), reverse=True) if p.is_dir()]
    for folder in empty:
        if not any(folder.iterdir()):
            folder.rmdir()
    assert not copy.trash.exists()

    board = board_of(copy, clock)
    board.files[b"srv/reading"] = b"one more"
    sealed = board.capture()
    board.keeper.close()
    rule = thin.delete_captures(copy, PIER_4, NEWEST, clock=clock, runner=FakeSignatures())
    found = keeping.collect(copy, clock)

    assert sealed.name.startswith("000003-")
    assert sum(not verdict.is_kept for verdict in rule) == 1
    assert found.complaints == ()


def test_h16_a_collection_makes_the_folders_again_that_a_copy_has_left_out(
    store: Store, clock: FakeClock, tmp_path: Path
) -> None:
    copy = copied_without_links(store, tmp_path / "copy")
    for folder in copy.root.glob("content/*"):
        if not any(folder.iterdir()):
            folder.rmdir()
    copy.trash.rmdir()

    assert keeping.collect(copy, clock).complaints == ()

    assert len([*copy.root.glob("content/*")]) == len(SHARDS)


def copied_without_links(store: Store, target: Path) -> Store:
    shutil.copytree(store.root, target)
    return stores.open_store(target, disk=QuickDisk())


@pytest.mark.parametrize("references_too", [True, False])
def test_h16_a_copy_of_the_store_loses_nothing(
    store: Store, clock: FakeClock, tmp_path: Path, *, references_too: bool
) -> None:
    """Link counts say nothing after cp -r; nor does a store whose references were left out."""
    keeping.collect(store, clock)
    copy = copied_without_links(store, tmp_path / "copy")
    if not references_too:
        references.discard(copy)

    found = keeping.collect(copy, clock)

    assert (found.contents, found.complaints) == (0, ())
    assert left(copy) == ALL


def test_h20_a_board_that_is_not_enrolled_any_more_keeps_what_it_needs(
    store: Store, clock: FakeClock
) -> None:
    (store.board_folder(PIER_4) / "enrolment.yaml").unlink()
    references.discard(store)

    found = keeping.collect(store, clock)

    assert (found.contents, found.complaints) == (1, ())
    assert left(store) == ALL


def test_h16_a_board_without_its_empty_folders_stops_no_collection(
    store: Store, clock: FakeClock
) -> None:
    (store.board_folder(PIER_4) / "incoming").rmdir()

    found = keeping.collect(store, clock)

    assert (found.contents, found.complaints) == (1, ())
    assert left(store) == ALL


def capture_of(store: Store, board: BoardName, number: int) -> Path:
    return sorted((store.board_folder(board) / "captures").iterdir())[number]


def index_of(store: Store) -> str:
    """Return the digest of the list of an index."""
    data = (capture_of(store, PIER_4, 0) / "manifest.yaml").read_bytes()
    return manifest_file.decode(data).index.sha256


def spoil_index(store: Store) -> None:
    """Flip a bit in a piece of an index."""
    listed = store.contents.path(names.check_digest(index_of(store))).read_bytes()
    piece = listed[32:64].hex()
    path = _writable(store.contents.path(names.check_digest(piece)))
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


DAMAGES: dict[str, tuple[Callable[[Store], object], str]] = {
    "index-flipped": (spoil_index, "is damaged"),
    "index-gone": (
        lambda store: store.contents.path(names.check_digest(index_of(store))).unlink(),
        "lacks content",
    ),
    "manifest-empty": (
        lambda store: os.truncate(_writable(capture_of(store, PIER_4, 0) / "manifest.yaml"), 0),
        "manifest",
    ),
    "capture-gone": (
        lambda store: shutil.rmtree(capture_of(store, PIER_4, 0)),
        "this capture is missing",
    ),
    "captures-gone": (
        lambda store: shutil.rmtree(store.board_folder(PIER_4) / "captures"),
        "No such file",
    ),
    "captures-a-file": (
        lambda store: _replaced_by_file(store.board_folder(PIER_4) / "captures"),
        "Not a directory",
    ),
    "odd-folder": (
        lambda store: (store.root / "boards" / "Pier 4 (copy)").mkdir(),
        "the folder of no board",
    ),
}


def _writable(path: Path) -> Path:
    path.chmod(0o600)
    return path


def _replaced_by_file(path: Path) -> None:
    shutil.rmtree(path)
    path.write_bytes(b"")


@pytest.mark.parametrize("damage", DAMAGES)
def test_h10_what_cannot_be_read_keeps_the_contents_of_all(
    store: Store, clock: FakeClock, damage: str
) -> None:
    spoil, words = DAMAGES[damage]
    references.discard(store)
    spoil(store)
    before = contents(store)

    found = keeping.collect(store, clock)

    assert contents(store) == before
    assert found.contents == 0
    assert len(found.complaints) == 1
    assert words in found.complaints[0]


def test_an_index_that_is_good_after_all_is_put_back_before_it_is_read(
    store: Store, clock: FakeClock
) -> None:
    digest = names.check_digest(index_of(store))
    repair.take_out(store, digest)
    references.discard(store)

    found = keeping.collect(store, clock)

    assert found.complaints == ()
    assert store.contents.has(digest)


def test_a_board_whose_folder_is_gone_keeps_the_contents_of_all(
    store: Store, clock: FakeClock
) -> None:
    keeping.collect(store, clock)
    before = contents(store)
    shutil.rmtree(store.board_folder(PIER_4))

    found = keeping.collect(store, clock)

    assert contents(store) == before
    assert "the folder of this board is gone" in found.complaints[0]


def test_references_that_lost_a_row_are_found_out_by_the_ledger(
    store: Store, clock: FakeClock
) -> None:
    with sqlite3.connect(store.root / references.NAME) as db:
        deleted = db.execute("DELETE FROM span WHERE first = 2").rowcount
    db.close()
    assert deleted >= 2

    found = keeping.collect(store, clock)

    assert found.complaints == ()
    assert left(store) == ALL


@pytest.mark.parametrize("which", ["seq = 1", "seq = 2", "seq > 0"])
def test_references_that_forgot_a_capture_count_it_again(
    store: Store, clock: FakeClock, which: str
) -> None:
    with sqlite3.connect(store.root / references.NAME) as db:
        db.execute(f"DELETE FROM capture WHERE {which}")  # noqa: S608  from above
    db.close()

    found = keeping.collect(store, clock)

    assert (found.contents, found.complaints) == (1, ())
    assert left(store) == ALL
    with references.opened(store) as held:
        assert [c.seq for b in (PIER_3, PIER_4) for c in held.captures(b)] == [1, 2, 1, 2]


def test_references_that_are_damaged_are_made_again(store: Store, clock: FakeClock) -> None:
    path = store.root / references.NAME
    data = bytearray(path.read_bytes())
    data[4096 : 4096 + 2000] = bytes(2000)
    path.write_bytes(data)

    found = keeping.collect(store, clock)

    assert found.complaints == ()
    assert left(store) == ALL


def test_what_a_cut_left_of_a_deleted_capture_stops_no_collection(
    store: Store, clock: FakeClock
) -> None:
    """The disk forgot that its folder was renamed, and remembers that its manifest is gone."""
    remains = capture_of(store, PIER_4, 0)
    thin.delete_captures(store, PIER_4, NEWEST, clock=clock, runner=FakeSignatures())
    remains.mkdir()
    (remains / "manifest.yaml.sig").write_bytes(b"")
    references.discard(store)

    found = keeping.collect(store, clock)

    assert found.complaints == ()
    assert digests(b"pier-4: 0").isdisjoint(contents(store))


def test_thinned_captures_need_nothing(store: Store, clock: FakeClock) -> None:
    for board, key in ((PIER_3, keeping.KEY), (PIER_4, OTHER_KEY)):
        del key
        thin.delete_captures(store, board, NEWEST, clock=clock, runner=FakeSignatures())

    found = keeping.collect(store, clock)

    assert found.complaints == ()
    assert left(store) == {b"on both boards", b"pier-3: 1", b"pier-4: 1"}


def test_h21_a_capture_that_waits_to_be_sealed_finds_its_content_again(
    store: Store, clock: FakeClock
) -> None:
    """It reuses a content that nobody needed, and that is thrown away before it is sealed."""
    board = board_of(store, clock)
    board.files[b"srv/new"] = b"unused"
    begun = board.keeper.begin()
    board.deliver(begun)
    assert board.sent == []
    data = board.attach(begun)
    (store.board_folder(PIER_3) / "incoming" / begun.run / "begun").unlink()

    keeping.collect(store, clock, grace=DAY)
    answer = board.keeper.seal(data, board.signed(data))

    assert answer.name
    assert digests(b"unused") <= contents(store)


def test_h21_a_capture_that_was_not_accounted_for_stops_a_collection(
    store: Store, clock: FakeClock
) -> None:
    with references.opened(store) as held:
        assert account_captures.has_all(store, held)
        held.remove(PIER_4, [capture_of(store, PIER_4, 1).name])

        assert not account_captures.has_all(store, held)


def test_an_interrupted_accounting_is_made_up_for(store: Store, clock: FakeClock) -> None:
    board = board_of(store, clock)
    references.discard(store)
    board.files[b"srv/new"] = b"one more"
    board.capture()  # the third capture: not accounted for, since those before it are not

    found = keeping.collect(store, clock)

    assert found.complaints == ()
    with references.opened(store) as held:
        assert [capture.seq for capture in held.captures(PIER_3)] == [1, 2, 3]
        assert digests(b"one more") <= contents(store)


def test_collecting_twice_finds_nothing_more(store: Store, clock: FakeClock) -> None:
    keeping.collect(store, clock)
    again: CollectedGarbage = keeping.collect(store, clock)

    assert again == garbage.CollectedGarbage()


def test_what_a_repair_kept_goes_when_nobody_waits_for_it_any_more(
    store: Store, clock: FakeClock
) -> None:
    """The bytes of a bad content stay while it is awaited, and some days after it came back."""
    board = board_of(store, clock)
    needed, forgotten = (names.check_digest(*digests(body)) for body in (b"pier-3: 1", b"unused"))
    for digest in (needed, forgotten):
        _writable(store.contents.path(digest)).write_bytes(b"spoilt")
        repair.take_out(store, digest)
    kept = store.root / "damaged" / f"{needed}.bytes"
    # The renaming is dated by the real clock.
    clock.advance((SystemClock().now() - clock.now()).total_seconds())

    found = []
    for days in (1, 3, 0, 3):
        clock.advance(days * DAY)
        keeping.collect(store, clock, grace=2 * DAY)
        found.append(sorted(path.name[64:] for path in kept.parent.iterdir()))
        if len(found) == 2:
            board.files[b"srv/reading"] = b"pier-3: 1"
            board.capture()

    assert found == [["", ".bytes", ".bytes"], ["", ".bytes"], [], []]
    assert b"pier-3: 1" in left(store)
