"""What sealing refuses, and what an interruption of it leaves: finished, or refused if altered."""

from __future__ import annotations

import hashlib
import stat
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import SecurityError
from holdstill.keeper import enrolment, incoming, references, repair, thin, trash
from holdstill.keeper import ledger as ledgers
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.keeper.local import LocalKeeper
from holdstill.keeper.possession import Possession
from holdstill.keeper.sealing import Sealer
from holdstill.model import names
from holdstill.model.entries import Entry, EntryType
from holdstill.model.settings import Retention
from holdstill.records import manifest_file
from support import keeping
from support.contents import in_order
from support.keeping import PIER_3, PIER_4, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.ledger import SealedEvent
    from holdstill.keeper.store import Store
    from holdstill.model.manifest import Manifest
    from holdstill.model.protocol import RunStarted

NEWEST = Retention(days=0, weeks=0, months=0, years=0, at_least=1)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return keeping.make_store(tmp_path / "boathouse", clock=FakeClock())


@pytest.fixture
def keeper(store: Store) -> LocalKeeper:
    return keeping.keeper_of(store, clock=FakeClock())


def captures_of(store: Store) -> list[Path]:
    return sorted((store.board_folder(PIER_3) / "captures").iterdir())


@dataclass
class StrayBoard(Board[LocalKeeper]):
    """Its index has digest and totals as the manifest says, and an entry in no directory."""

    def entries(self) -> list[Entry]:
        return in_order([*super().entries(), Entry(b"nowhere", b"x", EntryType.FIFO)])


def test_s26_every_row_of_a_new_index_is_checked_before_it_is_sealed(
    keeper: LocalKeeper, store: Store
) -> None:
    with pytest.raises(SecurityError, match="no listed directory"):
        StrayBoard(keeper, files={b"srv/reading": b"1.42"}).capture()

    assert captures_of(store) == []


@dataclass
class GaplessBoard(Board[LocalKeeper]):
    """A board whose disk has no boot gap."""

    def attachments(self) -> dict[str, bytes]:
        return {}

    def manifest(self, begun: RunStarted, index: bytes) -> Manifest:
        return msgspec.structs.replace(super().manifest(begun, index), gap=None)


def test_a_capture_without_a_boot_gap_is_sealed(keeper: LocalKeeper, store: Store) -> None:
    GaplessBoard(keeper, files={b"srv/reading": b"1.42"}).capture()

    (folder,) = captures_of(store)
    assert manifest_file.decode((folder / "manifest.yaml").read_bytes()).gap is None


def test_manifest_and_signature_can_be_read_by_the_keeper_only(
    keeper: LocalKeeper, store: Store
) -> None:
    Board(keeper, files={b"srv/reading": b"1.42"}, raws={3: b"raw"}).capture()

    (folder,) = captures_of(store)
    assert {path.name: stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()} == {
        "manifest.yaml": 0o400, "manifest.yaml.sig": 0o400,
    }  # fmt: skip


@dataclass
class CutOff:
    """A store in which sealing was cut off between the rename and the ledger's line."""

    store: Store
    folder: Path
    intent: Path

    @property
    def ledger(self) -> Path:
        return self.store.board_folder(PIER_3) / "ledger.jsonl"

    def recover(self) -> None:
        shelf = BoardCaptures(self.store, PIER_3, FakeSignatures())
        Sealer(shelf, clock=FakeClock()).recover()

    def alter(self, name: str) -> None:
        path = self.folder / name
        path.chmod(0o600)
        content = path.read_bytes()
        path.write_bytes(bytes([content[0] ^ 1]) + content[1:])


@pytest.fixture
def cut_off(keeper: LocalKeeper, store: Store) -> CutOff:
    board = Board(keeper, files={b"srv/reading": b"1.42"})
    board.capture()
    board.files[b"srv/reading"] = b"1.43"
    board.clock.advance(86_400)
    board.capture()
    keeper.close()
    home = store.board_folder(PIER_3)
    *earlier, last = (home / "ledger.jsonl").read_bytes().splitlines(keepends=True)
    event = ledgers.parse(b"".join([*earlier, last])).last_sealed
    assert event is not None
    (home / "ledger.jsonl").write_bytes(b"".join(earlier))
    intent = home / "sealing" / f"{event.run}.json"
    intent.write_bytes(msgspec.json.encode(event))
    return CutOff(store, captures_of(store)[-1], intent)


def sealed_in(cut_off: CutOff) -> tuple[SealedEvent, ...]:
    return ledgers.parse(cut_off.ledger.read_bytes()).sealed


def test_c11_a_capture_that_was_renamed_gets_its_line_which_says_so(cut_off: CutOff) -> None:
    cut_off.recover()

    assert [(e.brief.seq, e.recovered) for e in sealed_in(cut_off)] == [(1, False), (2, True)]
    assert not cut_off.intent.exists()


@pytest.mark.parametrize("name", ["manifest.yaml", "manifest.yaml.sig"])
def test_c11_a_capture_that_was_altered_since_gets_none(cut_off: CutOff, name: str) -> None:
    before = cut_off.ledger.read_bytes()
    cut_off.alter(name)

    with pytest.raises(SecurityError, match="altered since"):
        cut_off.recover()

    assert cut_off.ledger.read_bytes() == before
    assert cut_off.intent.exists()


def test_c11_an_older_capture_in_the_place_of_the_newest_gets_no_line(
    cut_off: CutOff, store: Store
) -> None:
    older = captures_of(store)[0]
    for name in ("manifest.yaml", "manifest.yaml.sig"):  # well signed, both
        (cut_off.folder / name).unlink()
        (cut_off.folder / name).write_bytes((older / name).read_bytes())

    with pytest.raises(SecurityError, match="altered since"):
        cut_off.recover()

    assert len(sealed_in(cut_off)) == 1


def test_nothing_is_published_behind_a_chain_that_broke_meanwhile(
    cut_off: CutOff, store: Store
) -> None:
    event = msgspec.json.decode(cut_off.intent.read_bytes(), type=ledgers.SealedEvent)
    prepared = cut_off.folder.rename(cut_off.intent.with_suffix(""))
    broken = cut_off.ledger.read_bytes().replace(b'"seq":1', b'"seq":2', 1)
    cut_off.ledger.write_bytes(broken)

    with pytest.raises(SecurityError, match="the chain is broken"):
        Sealer(BoardCaptures(store, PIER_3, FakeSignatures()), clock=FakeClock()).publish(
            prepared, event
        )

    assert prepared.is_dir()
    assert not cut_off.folder.exists()
    assert cut_off.ledger.read_bytes() == broken


def test_nothing_is_published_whose_place_another_took_meanwhile(
    cut_off: CutOff, store: Store
) -> None:
    event = msgspec.json.decode(cut_off.intent.read_bytes(), type=ledgers.SealedEvent)
    cut_off.recover()
    prepared = cut_off.folder.rename(cut_off.intent.with_suffix(""))
    before = cut_off.ledger.read_bytes()

    with pytest.raises(SecurityError, match="the ledger moved on"):
        Sealer(BoardCaptures(store, PIER_3, FakeSignatures()), clock=FakeClock()).publish(
            prepared, event
        )

    assert not cut_off.folder.exists()
    assert cut_off.ledger.read_bytes() == before


def test_c11_a_spoiled_note_of_a_sealing_leaves_a_capture_that_is_told_of(
    cut_off: CutOff,
) -> None:
    cut_off.intent.write_bytes(cut_off.intent.read_bytes()[:40])

    with pytest.raises(SecurityError, match="not in the ledger") as caught:
        cut_off.recover()

    assert cut_off.folder.name in str(caught.value)
    assert cut_off.folder.is_dir()


def test_a_capture_that_names_what_the_newest_one_names_needs_the_same(
    keeper: LocalKeeper, store: Store
) -> None:
    board = Board(keeper, files={b"srv/reading": b"1.42"})
    board.capture()
    index = board.index(seq=1)
    board.clock.advance(86_400)
    begun = keeper.begin()
    board.deliver(begun)
    data = manifest_file.encode(board.describe(begun, index))
    sealed = keeper.seal(data, board.signed(data))

    assert sealed.name.startswith("000002-")
    assert sealed.new_bytes == 0
    first, second = ledgers.parse(
        (store.board_folder(PIER_3) / "ledger.jsonl").read_bytes()
    ).sealed
    assert (second.contents, second.content_sum) == (first.contents, first.content_sum)
    with references.opened(store) as known:
        assert [capture.seq for capture in known.captures(PIER_3)] == [1, 2]
        assert set(known.sums(PIER_3).values()) == {
            references.ContentSum(first.contents, first.content_sum)
        }


@pytest.mark.parametrize("reading", [b"1.42", b"1.43"])
def test_only_what_names_the_same_as_the_newest_one_is_not_looked_through(
    keeper: LocalKeeper, store: Store, reading: bytes
) -> None:
    board = Board(keeper, files={b"srv/reading": b"1.42"})
    board.capture()
    index = board.index(seq=1)
    board.clock.advance(86_400)
    begun = keeper.begin()
    board.files[b"srv/reading"] = reading
    board.deliver(begun)
    board.attach(begun)
    manifest = board.describe(begun, index if reading == b"1.42" else board.index(seq=2))
    staging = incoming.current(store, PIER_3)
    assert staging is not None
    sealer = Sealer(BoardCaptures(store, PIER_3, FakeSignatures()), clock=board.clock)
    shown = Possession(store, PIER_3, staging, is_sharing=True)

    with references.opened(store) as known:
        folder, needs = sealer.prepare(staging, manifest, (b"manifest", b"seal"), known, shown)

    assert needs.is_same == (reading == b"1.42")
    assert needs.lacking == ()
    assert (folder / "manifest.yaml").read_bytes() == b"manifest"


def test_what_the_newest_capture_needs_is_the_boards_own_though_the_references_are_lost(
    keeper: LocalKeeper, store: Store
) -> None:
    """Nothing of it is shown in this run: neither sent nor proven."""
    board = Board(keeper, files={b"srv/reading": b"1.42", b"srv/other": b"1.43"})
    board.capture()
    board.clock.advance(86_400)
    references.discard(store)
    begun = keeper.begin()
    del board.files[b"srv/other"]
    data = board.attach(begun)

    sealed = keeper.seal(data, board.signed(data))

    assert sealed.name.startswith("000002-")
    assert len(sealed.lacking) == 0


def test_a_content_that_is_gone_is_asked_for_and_not_taken_for_damaged(
    keeper: LocalKeeper, store: Store
) -> None:
    board = Board(keeper, files={b"srv/reading": b"1.42"})
    begun = keeper.begin()
    board.deliver(begun)
    data = board.attach(begun)
    digest = names.check_digest(hashlib.sha256(b"1.42").hexdigest())
    store.contents.path(digest).unlink()

    asked = keeper.seal(data, board.signed(data))

    assert asked.lacking.send == (digest,)
    assert repair.awaited(store) == ()


@pytest.mark.parametrize("spoilt", [b"1.42more", b"1.4"])
def test_a_content_that_the_disk_gave_another_length_is_asked_for_again(
    keeper: LocalKeeper, store: Store, spoilt: bytes
) -> None:
    """Not the newest capture's, so that it is looked for: and the board is not to blame."""
    board = Board(keeper, files={b"srv/reading": b"1.42"})
    board.capture()
    board.files = {b"srv/other": b"1.43"}
    board.clock.advance(86_400)
    board.capture()
    digest = names.check_digest(hashlib.sha256(b"1.42").hexdigest())
    path = store.contents.path(digest)
    path.chmod(0o600)
    path.write_bytes(spoilt)
    board.files[b"srv/reading"] = b"1.42"
    board.clock.advance(86_400)
    begun = keeper.begin()
    board.deliver(begun)
    data = board.attach(begun)

    asked = keeper.seal(data, board.signed(data))
    board.carry({digest: b"1.42"}, begun.folders[0])
    keeper.ingest(asked.lacking.send)
    sealed = keeper.seal(data, board.signed(data))

    assert asked.lacking.send == (digest,)
    assert sealed.name.startswith("000003-")
    assert path.read_bytes() == b"1.42"


def test_a_content_that_went_to_the_trash_since_it_came_is_taken_back(
    keeper: LocalKeeper, store: Store
) -> None:
    board = Board(keeper, files={b"srv/reading": b"1.42"})
    begun = keeper.begin()
    board.deliver(begun)
    data = board.attach(begun)
    digest = names.check_digest(hashlib.sha256(b"1.42").hexdigest())
    path = store.contents.path(digest)
    path.rename(trash.new_place(store, board.clock.now()) / digest)

    sealed = keeper.seal(data, board.signed(data))

    assert sealed.name.startswith("000001-")
    assert path.read_bytes() == b"1.42"


def test_references_that_are_damaged_are_no_fault_of_the_boards(
    keeper: LocalKeeper, store: Store
) -> None:
    board = Board(keeper, files={b"srv/%03d" % n: b"%d" % n for n in range(400)})
    board.capture()
    path = store.root / references.NAME
    data = bytearray(path.read_bytes())
    assert len(data) > 6 * 4096
    for page in range(2, len(data) // 4096):
        data[page * 4096 : page * 4096 + 64] = b"\xff" * 64
    path.write_bytes(data)
    board.files[b"srv/new"] = b"new"
    board.clock.advance(86_400)

    sealed = board.capture()

    assert sealed.name.startswith("000002-")
    assert not (store.board_folder(PIER_3) / "refusals.jsonl").exists()


def test_c12_thinning_first_finishes_what_sealing_left(cut_off: CutOff) -> None:
    verdicts = thin.delete_captures(
        cut_off.store, PIER_3, NEWEST, clock=FakeClock(), runner=FakeSignatures()
    )

    assert [(v.seq, v.is_kept) for v in verdicts] == [(1, False), (2, True)]
    assert captures_of(cut_off.store) == [cut_off.folder]


@pytest.mark.parametrize("which", [0, 1, 2])
def test_a_piece_of_the_index_that_the_disk_has_spoiled_is_asked_for_again(
    keeper: LocalKeeper, store: Store, which: int
) -> None:
    """A board asks only about pieces that changed: this one was here already."""
    board = Board(keeper, files={b"srv/%03d" % n: b"%d" % n for n in range(200)})
    begun = keeper.begin()
    board.deliver(begun)
    data = board.attach(begun)
    index = board.index(seq=begun.seq)
    spoiled = names.check_digest(list(keeping.pieces_of(index))[which])
    path = store.contents.path(spoiled)
    path.chmod(0o600)
    path.write_bytes(b"?" * path.stat().st_size)

    answer = keeper.seal(data, board.signed(data))

    assert (answer.name, answer.lacking.send) == ("", (spoiled,))
    board.bring(begun, index)
    assert keeper.seal(data, board.signed(data)).name
    assert [brief.faults for brief in keeper.captures()] == [()]


@pytest.mark.parametrize("is_sharing", [True, False])
def test_a_board_learns_what_another_has_only_where_they_share(
    store: Store, *, is_sharing: bool
) -> None:
    """Its own capture's new bytes are told to it: they must not tell of other boards."""
    enrolment.enrol(store, PIER_4, keeping.OTHER_KEY, clock=FakeClock(), limits=None)
    told = []
    for name, key in ((PIER_3, keeping.KEY), (PIER_4, keeping.OTHER_KEY)):
        keeper = keeping.keeper_of(store, board=name, clock=FakeClock(), is_sharing=is_sharing)
        board = Board(keeper, name=name, files={b"srv/reading": b"1.42" * 5000})
        board.sign = partial(keeping.seal_of, board=name, key=key)
        told.append(board.capture().new_bytes)

    first, second = told
    assert first >= 20_000
    assert (second >= 20_000) is not is_sharing
