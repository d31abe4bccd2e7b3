"""One board and its keeper, from hello to seal."""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import (
    BusyError,
    PreflightError,
    SecurityError,
    UsageError,
)
from holdstill.keeper.local import LocalKeeper
from holdstill.model import names
from holdstill.model.protocol import FOLDERS, PROTOCOL, WantedContent
from holdstill.records import assembled, capture_contents, manifest_file
from support import keeping
from support.keeping import Board, FakeClock

READINGS = {
    b"etc/hostname": b"pier-3\n",
    b"srv/gauge/readings.db": b"SQLite" * 9000,
    b"srv/gauge/calibration": b"offset 0.42\n",
    b"srv/gauge/calibration.bak": b"offset 0.42\n",
    b"srv/gauge/empty": b"",
}


LocalBoard = Board[LocalKeeper]

if TYPE_CHECKING:
    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.keeper.store import Store


def digest_of(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


@pytest.fixture
def keeper(store: Store, clock: FakeClock) -> LocalKeeper:
    return keeping.keeper_of(store, clock=clock)


@pytest.fixture
def board(keeper: LocalKeeper, clock: FakeClock) -> LocalBoard:
    return Board(keeper, clock=clock, files=dict(READINGS))


def bytes_of(*captures: StoredCapture) -> int:
    """Return the bytes of the distinct contents that captures need."""
    return sum(dict(pair for c in captures for pair in capture_contents.needed(c)).values())


def test_a_first_hello_has_no_capture_to_build_on(keeper: LocalKeeper) -> None:
    hello = keeper.hello()

    assert (hello.protocol, hello.board, hello.newest) == (PROTOCOL, "pier-3", None)
    assert hello.now == "2026-11-25T02:15:03Z"
    assert hello.free_bytes > 0


def test_a_capture_is_listed_and_newest_once_sealed(board: LocalBoard) -> None:
    sealed = board.capture()

    brief = board.keeper.hello().newest
    assert brief is not None
    assert sealed.name == brief.name == "000001-20261125T021503Z"
    assert board.keeper.captures() == (brief,)
    assert (brief.grade, brief.frozen_ms, brief.faults) == ("point-in-time", 97.0, ())
    assert sealed.new_bytes == brief.new_bytes == bytes_of(board.keeper.capture(brief.name))


def test_contents_are_read_only_and_named_by_their_hash(board: LocalBoard, store: Store) -> None:
    board.capture()

    for held in store.contents.all():
        assert digest_of(held.path.read_bytes()) == held.digest
        assert stat.S_IMODE(held.path.stat().st_mode) == 0o400


def test_a_second_capture_sends_only_what_changed(board: LocalBoard) -> None:
    board.capture()
    board.sent.clear()
    board.files[b"srv/gauge/calibration"] = b"offset 0.43\n"

    sealed = board.capture()

    assert board.sent == [digest_of(b"offset 0.43\n")]
    captures = [board.keeper.capture(brief.name) for brief in board.keeper.captures()]
    assert sealed.new_bytes == bytes_of(*captures) - bytes_of(captures[0])
    assert [brief.seq for brief in board.keeper.captures()] == [1, 2]


def test_an_older_content_is_laid_out_as_a_copy_never_a_link(
    board: LocalBoard, store: Store
) -> None:
    board.capture()
    begun = board.keeper.begin()
    old, new = digest_of(READINGS[b"srv/gauge/readings.db"]), digest_of(b"new")

    lacking = board.keeper.lacking([WantedContent(digest=new, size=1 << 20, basis=old)])

    laid = Path(begun.folders[0], new)
    assert lacking.send == (new,)
    assert laid.read_bytes() == READINGS[b"srv/gauge/readings.db"]
    assert (
        laid.stat().st_ino
        != store.contents.path(names.check_digest(lacking.send[0]))
        .with_name(old)
        .parent.stat()
        .st_ino
    )
    assert laid.stat().st_nlink == 1


@pytest.mark.parametrize("number", [-1, FOLDERS])
def test_a_run_has_its_folders_and_no_others(board: LocalBoard, number: int) -> None:
    board.keeper.begin()

    with pytest.raises(UsageError, match=f"no folder {number}"):
        board.keeper.lacking([WantedContent(digest=digest_of(b"new"), size=3)], number)


def test_a_basis_that_is_no_digest_is_refused_whatever_it_is_a_basis_for(
    board: LocalBoard,
) -> None:
    board.capture()
    board.keeper.begin()
    there = digest_of(READINGS[b"srv/gauge/readings.db"])

    with pytest.raises(UsageError, match=r"ledger\.jsonl"):
        board.keeper.lacking([WantedContent(digest=there, size=3, basis="../../ledger.jsonl")])


def test_a_half_sent_content_is_not_replaced_by_a_basis(board: LocalBoard) -> None:
    board.capture()
    begun = board.keeper.begin()
    old, new = digest_of(READINGS[b"srv/gauge/readings.db"]), digest_of(b"new")
    Path(begun.folders[0], new).write_bytes(b"ne")

    board.keeper.lacking([WantedContent(digest=new, size=3, basis=old)])

    assert Path(begun.folders[0], new).read_bytes() == b"ne"


def test_bytes_that_are_not_as_named_are_refused_and_removed(
    board: LocalBoard, store: Store
) -> None:
    begun = board.keeper.begin()
    right, wrong, absent = (digest_of(text) for text in (b"right", b"wrong", b"absent"))
    Path(begun.folders[0], right).write_bytes(b"right")
    Path(begun.folders[0], wrong).write_bytes(b"something else")

    banked = board.keeper.ingest([right, wrong, absent])

    assert (banked.kept, banked.new_bytes, banked.bad) == (1, 5, (wrong, absent))
    assert not Path(begun.folders[0], wrong).exists()
    assert [held.digest for held in store.contents.all()] == [right]


def test_banking_again_is_answered_alike_and_adds_nothing(board: LocalBoard) -> None:
    begun = board.keeper.begin()
    digest = digest_of(b"right")
    Path(begun.folders[0], digest).write_bytes(b"right")

    board.keeper.ingest([digest])
    again = board.keeper.ingest([digest])

    assert (again.kept, again.new_bytes, again.bad) == (1, 0, ())


@pytest.mark.parametrize("trick", ["symlink", "fifo", "directory", "second-name"])
def test_s07_only_a_plain_file_with_one_name_is_taken_over(
    board: LocalBoard, tmp_path: Path, store: Store, trick: str
) -> None:
    begun = board.keeper.begin()
    digest = digest_of(b"bait")
    planted, bait = Path(begun.folders[0], digest), tmp_path / "bait"
    bait.write_bytes(b"bait")
    match trick:
        case "symlink":
            planted.symlink_to(bait)
        case "fifo":
            os.mkfifo(planted)
        case "directory":
            (planted / "below").mkdir(parents=True)
        case _:
            planted.hardlink_to(bait)

    banked = board.keeper.ingest([digest])

    assert banked.bad == (digest,)
    assert not os.path.lexists(planted)
    assert bait.read_bytes() == b"bait"
    assert not store.contents.has(names.check_digest(digest))


def test_a_second_live_run_is_refused(board: LocalBoard, store: Store, clock: FakeClock) -> None:
    board.keeper.begin()

    with pytest.raises(BusyError, match="another run"):
        keeping.keeper_of(store, clock=clock).begin()


def test_a_left_over_staging_is_taken_over(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    begun = board.keeper.begin()
    whole, half = digest_of(b"whole"), digest_of(b"half of it")
    Path(begun.folders[0], whole).write_bytes(b"whole")
    Path(begun.folders[0], half).write_bytes(b"half")
    board.keeper.close()

    again = keeping.keeper_of(store, clock=clock).begin()

    assert (again.run, again.seq) == (begun.run, begun.seq)
    assert [held.digest for held in store.contents.all()] == [whole]
    # What rsync was in the middle of is gone on with, and is no content.
    assert Path(again.folders[0], half).read_bytes() == b"half"


def test_a_staging_file_that_is_also_a_content_is_cut_loose(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    board.capture()
    begun = board.keeper.begin()
    held = next(store.contents.all())
    Path(begun.folders[0], held.digest).hardlink_to(held.path)
    board.keeper.close()

    again = keeping.keeper_of(store, clock=clock).begin()

    assert not Path(again.folders[0], held.digest).exists()
    assert held.path.exists()


def test_c10_file_vanishes_sealing_names_the_contents_that_are_lacking(board: LocalBoard) -> None:
    begun = board.keeper.begin()
    data = board.attach(begun)

    answer = board.keeper.seal(data, board.signed(data))

    assert answer.name == ""
    assert set(answer.lacking.send) == {digest_of(body) for body in READINGS.values() if body}
    assert board.keeper.captures() == ()
    board.deliver(begun)
    assert board.keeper.seal(data, board.signed(data)).name == "000001-20261125T021503Z"


def test_sealing_again_is_answered_as_the_first_time(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    begun = board.keeper.begin()
    board.deliver(begun)
    data = board.attach(begun)
    first = board.keeper.seal(data, board.signed(data))

    again = keeping.keeper_of(store, clock=clock).seal(data, board.signed(data))

    assert again == first
    assert len(board.keeper.captures()) == 1


def test_nothing_is_left_of_the_run_when_it_is_sealed(board: LocalBoard, store: Store) -> None:
    board.capture()

    folder = store.board_folder(keeping.PIER_3)
    assert list((folder / "incoming").iterdir()) == []
    assert list((folder / "sealing").iterdir()) == []
    assert list(store.trash.iterdir()) == []


@pytest.mark.parametrize("what", ["list", "piece"])
def test_what_a_manifest_names_and_the_store_lacks_is_asked_for(
    board: LocalBoard, store: Store, what: str
) -> None:
    begun = board.keeper.begin()
    board.deliver(begun)
    data = board.attach(begun)
    listed, piece = keeping.pieces_of(board.gap)
    gone = names.check_digest(listed if what == "list" else piece)
    store.contents.path(gone).unlink()

    answer = board.keeper.seal(data, board.signed(data))

    assert (answer.name, answer.lacking.send) == ("", (gone,))
    assert board.keeper.captures() == ()
    board.bring(begun, board.gap)
    assert board.keeper.seal(data, board.signed(data)).name


def test_what_a_manifest_names_is_kept_in_pieces(board: LocalBoard) -> None:
    board.raws = {3: b"raw" * 9000 + bytes(40_000)}

    capture = board.keeper.capture(board.capture().name)

    manifest = capture.manifest()
    assert assembled.read(capture, manifest.raws[0], limit=1 << 20) == board.raws[3]
    assert manifest.gap is not None
    assert assembled.read(capture, manifest.gap, limit=1 << 20) == keeping.GAP
    with assembled.as_file(capture, manifest.index) as path:
        assert path.read_bytes() == board.index(seq=1)


def test_pieces_that_two_captures_share_are_there_once(board: LocalBoard, store: Store) -> None:
    older = b"".join(bytes([n]) * keeping.PIECE for n in range(1, 9))
    newer = older[: 3 * keeping.PIECE] + b"!" + older[3 * keeping.PIECE + 1 :]
    board.raws = {3: older}
    board.capture()
    before = {held.digest for held in store.contents.all()}
    board.raws = {3: newer}

    board.capture()

    fresh = {held.digest for held in store.contents.all()} - before
    changed = set(keeping.pieces_of(newer)) - set(keeping.pieces_of(older))
    assert len(changed) == 2  # a piece, and the list
    assert changed <= fresh
    assert not fresh & set(keeping.pieces_of(older))


def test_s33_a_manifest_signed_by_another_key_is_refused(board: LocalBoard) -> None:
    begun = board.keeper.begin()
    board.deliver(begun)
    data = board.attach(begun)

    with pytest.raises(SecurityError, match="signature"):
        board.keeper.seal(data, keeping.seal_of(data, "pier-3", keeping.OTHER_KEY))


def test_s33_a_manifest_of_another_board_is_refused(board: LocalBoard) -> None:
    board.name = keeping.PIER_4
    begun = board.keeper.begin()
    board.deliver(begun)
    data = board.attach(begun)

    with pytest.raises(SecurityError, match="board is 'pier-4'"):
        board.keeper.seal(data, keeping.seal_of(data, "pier-3", keeping.KEY))


@pytest.mark.parametrize(
    ("field", "value"), [("seq", 2), ("run", "ffffffffffffffff"), ("previous", "0" * 64)]
)
def test_s32_a_manifest_out_of_its_place_is_refused(
    board: LocalBoard, field: str, value: object
) -> None:
    begun = board.keeper.begin()
    board.deliver(begun)
    data = board.attach(msgspec.structs.replace(begun, **{field: value}))

    with pytest.raises(SecurityError, match=f"{field} is"):
        board.keeper.seal(data, board.signed(data))


def test_an_index_that_counts_otherwise_than_the_manifest_is_refused(board: LocalBoard) -> None:
    begun = board.keeper.begin()
    board.deliver(begun)
    honest = board.describe(begun, board.index(seq=1))
    other = keeping.index_bytes({2: keeping.entries_of({b"etc/hostname": b"pier-3\n"})})
    board.bring(begun, other)
    described = keeping.attachment("index.sqlite", other)
    data = manifest_file.encode(msgspec.structs.replace(honest, index=described))

    with pytest.raises(SecurityError, match="the manifest says"):
        board.keeper.seal(data, board.signed(data))


def test_a_content_of_another_size_than_the_index_says_is_refused(board: LocalBoard) -> None:
    board.capture()
    begun = board.keeper.begin()
    entries = [
        entry._replace(size=entry.size + 1) if entry.name == b"hostname" else entry
        for entry in board.entries()
    ]
    index = keeping.index_bytes({2: entries})
    data = manifest_file.encode(board.describe(begun, index))

    with pytest.raises(SecurityError, match="does not have 8 bytes"):
        board.keeper.seal(data, board.signed(data))


def test_more_than_the_room_is_refused_before_anything_is_sent(
    store: Store, clock: FakeClock
) -> None:
    keeper = keeping.keeper_of(
        store, clock=clock, settings=keeping.no_limits(store.root, min_free=1 << 60)
    )
    keeper.begin()

    with pytest.raises(PreflightError, match=r"stay free \(min_free\)"):
        keeper.lacking([WantedContent(digest=digest_of(b"x"), size=1)])


def test_contents_can_be_asked_for_only_within_a_run(keeper: LocalKeeper) -> None:
    with pytest.raises(UsageError, match="no run has begun"):
        keeper.lacking([])


def test_manifest_and_signature_are_given_back_as_they_came(board: LocalBoard) -> None:
    begun = board.keeper.begin()
    board.deliver(begun)
    data = board.attach(begun)
    name = board.keeper.seal(data, board.signed(data)).name

    assert board.keeper.manifest(name) == data
    assert board.keeper.signature(name) == board.signed(data)


def test_an_unknown_capture_is_a_usage_error(keeper: LocalKeeper) -> None:
    with pytest.raises(UsageError, match="no capture"):
        keeper.manifest("000009-20261125T021503Z")
