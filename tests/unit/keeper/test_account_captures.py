"""What captures need, counted anew by request."""

from __future__ import annotations

import errno
import hashlib
import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, cast

import msgspec
import pytest

from holdstill.errors import MachineError
from holdstill.keeper import account_captures, board_captures, capture_notes, references, trash
from holdstill.keeper import store as stores
from holdstill.keeper.ledger import LedgerFile
from holdstill.keeper.references import AccountedCapture
from holdstill.keeper.store_disk import StoreDisk
from holdstill.model import names
from holdstill.model.names import CaptureName, Digest
from support import keeping
from support.keeping import PIER_3, Board, FakeClock

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from holdstill.keeper.ledger import Ledger, SealedEvent
    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.references import References
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName

Row = tuple[str, str, int, int | None]


@pytest.fixture
def board(tmp_path: Path) -> Board[LocalKeeper]:
    """A board with two captures."""
    clock = FakeClock()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock)
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    for reading in (b"1.42", b"1.43"):
        clock.advance(60)
        board.files[b"srv/reading"] = reading
        board.capture()
    return board


@pytest.fixture
def store(tmp_path: Path, board: Board[LocalKeeper]) -> Store:
    return keeping.make_store(tmp_path / "boathouse", clock=board.clock)


def rows(store: Store) -> set[Row]:
    """Return (board, digest, first, last) as the database has them."""
    with closing(sqlite3.connect(store.root / references.NAME)) as db:
        found = db.execute(
            "SELECT name, hex(digest), first, last FROM span JOIN board ON board.id = board "
            "JOIN content ON content.id = content"
        )
        return {(name, digest, first, last) for name, digest, first, last in found}


def test_rows_that_were_lost_are_found_and_counted_anew(store: Store) -> None:
    before = rows(store)
    with closing(sqlite3.connect(store.root / references.NAME)) as db, db:
        db.execute("DELETE FROM span WHERE content % 3 = 0")

    told = account_captures.differences(store)
    complaints = account_captures.recount(store)

    assert told
    assert all(name.startswith("pier-3/00000") for name in told)
    assert complaints == ()
    assert rows(store) == before
    assert account_captures.differences(store) == ()


@pytest.mark.parametrize("content", [b"", b"no database" * 1000])
def test_a_file_that_is_no_database_is_counted_anew(store: Store, content: bytes) -> None:
    before = rows(store)
    (store.root / references.NAME).write_bytes(content)

    assert account_captures.recount(store) == ()
    assert rows(store) == before


def test_a_sound_database_stays_the_file_that_others_have_open(store: Store) -> None:
    inode = (store.root / references.NAME).stat().st_ino

    account_captures.recount(store)

    assert (store.root / references.NAME).stat().st_ino == inode


def test_what_cannot_be_read_is_told(store: Store) -> None:
    newest = max((store.board_folder(PIER_3) / "captures").iterdir())
    shutil.rmtree(newest)

    (complaint,) = account_captures.recount(store)

    assert complaint == f"{newest}: this capture is missing"


def test_counting_anew_forgets_no_capture_that_is_gone_with_its_ledger(
    store: Store, board: Board[LocalKeeper]
) -> None:
    folder, before = store.board_folder(PIER_3), rows(store)
    names = sorted(path.name for path in (folder / "captures").iterdir())
    away = folder.parent.parent / "away"
    (folder / "captures").rename(away)
    (folder / "captures").mkdir()
    (folder / "ledger.jsonl").write_bytes(b"")

    account_captures.recount(store)
    complaints = account_captures.recount(store)

    assert complaints == tuple(f"{folder / 'captures' / name}: this capture is missing"
                               for name in names)  # fmt: skip
    assert rows(store) == before
    assert keeping.collect(store, board.clock).contents == 0
    assert account_captures.missing(store, PIER_3) == tuple(names)


def test_captures_that_their_owner_gives_up_are_forgotten_and_the_others_stay(
    store: Store, board: Board[LocalKeeper]
) -> None:
    folder = store.board_folder(PIER_3) / "captures"
    gone, kept = sorted(path.name for path in folder.iterdir())
    shutil.rmtree(folder / gone)
    assert account_captures.missing(store, PIER_3) == (gone,)

    capture_notes.given_up(store, PIER_3, (gone,), clock=board.clock)
    account_captures.forget(store, PIER_3, (gone,))

    assert account_captures.missing(store, PIER_3) == ()
    assert keeping.collect(store, board.clock).complaints == ()
    assert [(brief.name, brief.faults) for brief in board.keeper.captures()] == [(kept, ())]
    assert board.capture().name


def test_a_board_whose_captures_are_given_up_is_still_one_of_the_stores(
    store: Store, board: Board[LocalKeeper]
) -> None:
    folder = store.board_folder(PIER_3)
    every = sorted(path.name for path in (folder / "captures").iterdir())

    account_captures.forget(store, PIER_3, every)
    folder.rename(store.root / "elsewhere")

    assert store.lost_boards() == (PIER_3,)
    assert store.known_boards.newest(PIER_3) == 0


def test_a_capture_that_another_process_counted_is_counted_once(
    store: Store, board: Board[LocalKeeper]
) -> None:
    newest = board.keeper.captures()[-1]
    before = rows(store)

    with references.opened(store) as held:
        held.load([(b"\xff" * 32, 7)])
        held.add(PIER_3, AccountedCapture(newest.seq, newest.name, newest.manifest))

    assert rows(store) == before


def test_a_capture_is_accounted_for_as_soon_as_it_is_sealed(
    store: Store, board: Board[LocalKeeper]
) -> None:
    board.clock.advance(86_400)
    board.files[b"srv/new"] = b"new"

    board.capture()

    with references.opened(store) as held:
        assert [capture.seq for capture in held.captures(PIER_3)] == [1, 2, 3]


def test_looking_for_differences_makes_no_database(store: Store) -> None:
    references.discard(store)

    assert account_captures.differences(store) == ()
    assert not (store.root / references.NAME).exists()


def captures_of(store: Store) -> list[Path]:
    return sorted((store.board_folder(PIER_3) / "captures").iterdir())


def test_nothing_is_told_of_a_store_that_is_as_it_was_sealed(store: Store) -> None:
    before = rows(store)

    assert account_captures.bring_up_to_date(store) == ()
    assert account_captures.unlisted(store, PIER_3) == ()
    assert account_captures.missing(store, PIER_3) == ()
    assert account_captures.lost_boards(store) == frozenset()
    assert account_captures.nobodys_contents(store) is None
    assert account_captures.make_again(store) == ()
    with references.opened(store) as held:
        assert account_captures.has_all(store, held)
        held.remove(PIER_3, [captures_of(store)[-1].name])
        assert not account_captures.has_all(store, held)
    assert account_captures.bring_up_to_date(store) == ()
    assert rows(store) == before


def test_what_is_no_board_or_no_capture_is_told_or_passed_by(store: Store) -> None:
    (store.root / "boards/No Board").mkdir()
    (store.board_folder(PIER_3) / "captures/notes").mkdir()
    before = rows(store)

    complaints = account_captures.bring_up_to_date(store)

    assert complaints == (f"{store.root / 'boards/No Board'}: the folder of no board",)
    assert rows(store) == before


def test_a_board_whose_folder_is_gone_is_told_until_it_is_given_up(store: Store) -> None:
    folder, before = store.board_folder(PIER_3), rows(store)
    folder.rename(store.root / "elsewhere")

    complaints = account_captures.bring_up_to_date(store)
    lost = account_captures.lost_boards(store)
    counted = account_captures.recount(store)

    assert complaints == counted == (f"{folder}: the folder of this board is gone",)
    assert lost == {PIER_3}
    assert rows(store) == before
    assert account_captures.nobodys_contents(store) is None
    account_captures.forget_board(store, PIER_3)
    assert account_captures.lost_boards(store) == frozenset()
    assert account_captures.bring_up_to_date(store) == ()


def test_contents_of_which_nobody_knows_a_board_are_left_alone_and_told(store: Store) -> None:
    store.board_folder(PIER_3).rename(store.root / "elsewhere")
    account_captures.forget_board(store, PIER_3)
    known = account_captures.nobodys_contents(store)
    references.discard(store)

    error = account_captures.nobodys_contents(store)
    complaints = account_captures.bring_up_to_date(store)

    assert known is None  # the references know them still
    assert error is not None
    assert str(error).startswith(f"{store.contents.root}: there are contents, and no board")
    assert str(store.root / "boards") in error.hint
    assert complaints == (str(error),)


def test_an_empty_store_of_no_board_is_nobodys_trouble(tmp_path: Path) -> None:
    empty = keeping.make_store(tmp_path / "empty", clock=FakeClock())
    shutil.rmtree(empty.root / "boards")
    (empty.root / "boards").mkdir()

    assert account_captures.nobodys_contents(empty) is None


@pytest.mark.parametrize(("lines", "end"), [(0, "is empty"), (1, "ends with capture 1")])
def test_a_ledger_that_was_rolled_back_is_told_by_where_it_ends(
    store: Store, lines: int, end: str
) -> None:
    account_captures.bring_up_to_date(store)  # it remembers how far the ledger went
    path = store.board_folder(PIER_3) / "ledger.jsonl"
    text = path.read_bytes().splitlines(keepends=True)
    sealed = [line for line in text if b"sealed" in line]
    cut = text.index(sealed[lines])
    path.write_bytes(b"".join(text[:cut]))

    told = account_captures.unlisted(store, PIER_3)
    complaints = account_captures.bring_up_to_date(store)

    (line,) = told
    assert line.startswith(f"{path}: ")
    assert f"it {end}, and there was a capture 2; what to do: " in line
    assert complaints == told


def test_a_capture_that_only_the_references_know_is_missing(
    store: Store, board: Board[LocalKeeper]
) -> None:
    account_captures.bring_up_to_date(store)  # it remembers how far the ledger went
    newest = captures_of(store)[-1]
    path = store.board_folder(PIER_3) / "ledger.jsonl"
    text = path.read_bytes().splitlines(keepends=True)
    last = max(number for number, line in enumerate(text) if b"sealed" in line)
    path.write_bytes(b"".join(text[:last]))
    newest.rename(store.root / "elsewhere")

    first, *others = account_captures.unlisted(store, PIER_3)

    assert first == f"{newest}: this capture is missing"
    assert len(others) == 1
    assert account_captures.missing(store, PIER_3) == (newest.name,)


def test_a_capture_whose_index_is_gone_is_missing(store: Store) -> None:
    oldest = captures_of(store)[0]
    with LedgerFile(store.board_folder(PIER_3) / "ledger.jsonl").held_for_reading() as ledger:
        index = ledger.sealed[0].brief.index
    store.contents.path(Digest(index)).unlink()

    assert account_captures.missing(store, PIER_3) == (oldest.name,)


def test_a_ledger_that_cannot_be_read_is_that_boards_complaint_and_costs_nothing(
    store: Store,
) -> None:
    path, before = store.board_folder(PIER_3) / "ledger.jsonl", rows(store)
    path.unlink()
    path.mkdir()

    (complaint,) = account_captures.bring_up_to_date(store)
    (counted,) = account_captures.recount(store)

    assert complaint == counted
    assert complaint.startswith("pier-3: ")
    assert rows(store) == before
    assert account_captures.differences(store) == ()


def test_two_captures_of_one_number_are_refused(store: Store) -> None:
    newest = captures_of(store)[-1]
    twin = newest.with_name(f"{newest.name[:7]}20251125T021503Z")
    assert twin != newest
    shutil.copytree(newest, twin)

    (complaint,) = account_captures.bring_up_to_date(store)

    assert complaint == "pier-3: two captures of pier-3 have the same number"


def test_a_capture_with_another_manifest_than_was_counted_is_counted_anew(store: Store) -> None:
    before = rows(store)
    with references.opened(store) as held:
        first, second = held.captures(PIER_3)
        held.remove_board(PIER_3)
        for capture, digest in ((first, first.manifest), (second, first.manifest)):
            held.load([(b"\xee" * 32, 7)])
            held.add(PIER_3, AccountedCapture(capture.seq, capture.name, digest))
    assert rows(store) != before

    assert account_captures.bring_up_to_date(store) == ()
    assert rows(store) == before


def test_an_index_that_does_not_name_what_was_sealed_is_told(store: Store) -> None:
    """The sums are the ledger's word: here they are made others, line by line, chain and all."""
    with (
        references.opened(store) as held,
        LedgerFile(store.board_folder(PIER_3) / "ledger.jsonl").held_for_reading() as ledger,
    ):
        sound = list(account_captures._disagreeing(held, PIER_3, ledger))
        first, second = ledger.sealed
        odd = msgspec.structs.replace(second, contents=second.contents + 1)
        more = msgspec.structs.replace(second, content_sum=first.content_sum)
        found = [
            [*account_captures._disagreeing(held, PIER_3, replaced(ledger, first, other))]
            for other in (second, odd, more)
        ]
        only = list(account_captures._disagreeing(held, PIER_3, replaced(ledger, odd)))

    assert sound == []
    assert found == [[], [second.brief.name], [second.brief.name]]
    assert only == [second.brief.name]


@dataclass
class _Sealed:
    sealed: list[SealedEvent]


def replaced(ledger: Ledger, *events: SealedEvent) -> Ledger:
    return cast("Ledger", _Sealed(list(events)))


def test_only_a_damaged_database_is_made_again(store: Store) -> None:
    before, path = rows(store), store.root / references.NAME
    inode = path.stat().st_ino
    account_captures.ensure_sound(store)
    assert path.stat().st_ino == inode
    path.write_bytes(b"no database" * 1000)

    account_captures.ensure_sound(store)

    assert rows(store) == before


def test_what_remains_of_a_capture_that_was_deleted_is_no_capture(
    store: Store, board: Board[LocalKeeper]
) -> None:
    oldest, newest = captures_of(store)
    with references.opened(store) as held:
        held.remove(PIER_3, [oldest.name])
    capture_notes.given_up(store, PIER_3, (oldest.name,), clock=board.clock)
    (oldest / board_captures.MANIFEST).unlink()

    assert [found.name for found in account_captures._captures_of(store, PIER_3)] == [
        CaptureName.parse(newest.name)
    ]
    assert account_captures.bring_up_to_date(store) == ()


def test_a_capture_whose_manifest_is_gone_and_that_nobody_gave_up_is_told_of(
    store: Store,
) -> None:
    oldest, newest = captures_of(store)
    (oldest / board_captures.MANIFEST).unlink()

    assert [str(found.name) for found in account_captures._captures_of(store, PIER_3)] == [
        oldest.name, newest.name,
    ]  # fmt: skip


def test_what_a_board_s_captures_need_is_taken_back_from_the_trash(
    store: Store, board: Board[LocalKeeper]
) -> None:
    digests = [
        names.check_digest(hashlib.sha256(reading).hexdigest()) for reading in (b"1.42", b"1.43")
    ]
    place = trash.new_place(store, board.clock.now())
    for digest in digests:
        store.contents.path(digest).rename(place / digest)

    account_captures.take_back(store, PIER_3)

    assert [store.contents.path(digest).read_bytes() for digest in digests] == [b"1.42", b"1.43"]


def test_the_newest_is_counted_only_behind_the_one_before_it(store: Store) -> None:
    with LedgerFile(store.board_folder(PIER_3) / "ledger.jsonl").held_for_reading() as ledger:
        first, second = ledger.sealed
    with references.opened(store) as held:
        held.remove_board(PIER_3)
        held.load([(b"\xee" * 32, 7)])
        account_captures.add_newest(held, PIER_3, second)
        waiting = held.captures(PIER_3)
        account_captures.add_newest(held, PIER_3, first)
        account_captures.add_newest(held, PIER_3, second, is_same=True)
        counted = held.captures(PIER_3)

    assert list(waiting) == []
    assert [(c.seq, c.name, c.manifest) for c in counted] == [
        (event.brief.seq, event.brief.name, event.brief.manifest) for event in (first, second)
    ]
    assert {first: last for _, _, first, last in rows(store)} == {1: None}


def test_a_manifest_that_is_not_the_one_that_was_counted_is_noticed_by_itself(
    store: Store,
) -> None:
    with references.opened(store) as held:
        before = held.captures(PIER_3)
    with closing(sqlite3.connect(store.root / references.NAME)) as db, db:
        db.execute("UPDATE capture SET manifest = ? WHERE seq = 2", ("e" * 64,))

    assert account_captures.bring_up_to_date(store) == ()
    with references.opened(store) as held:
        assert held.captures(PIER_3) == before


@dataclass
class _Held:
    """What is accounted for, asked twice; a capture may go in between."""

    accounted: tuple[AccountedCapture, ...]
    counted: dict[int, references.ContentSum]

    def sums(self, _: str) -> dict[int, references.ContentSum]:
        return self.counted

    def captures(self, _: str) -> tuple[AccountedCapture, ...]:
        return self.accounted


def test_what_comes_or_goes_between_two_questions_is_no_disagreement(store: Store) -> None:
    with LedgerFile(store.board_folder(PIER_3) / "ledger.jsonl").held_for_reading() as ledger:
        first, second = ledger.sealed
        both = tuple(
            AccountedCapture(event.brief.seq, event.brief.name, event.brief.manifest)
            for event in (first, second)
        )
        wrong = references.ContentSum(second.contents + 1, second.content_sum)
        held = cast("References", _Held(both, {2: wrong}))

        assert list(account_captures._disagreeing(held, PIER_3, ledger)) == [second.brief.name]
        assert list(account_captures._disagreeing(held, PIER_3, replaced(ledger, first))) == []


def index_of(store: Store, *, oldest: bool = False) -> Digest:
    """Return the index of the board's newest capture, or of its oldest."""
    with LedgerFile(store.board_folder(PIER_3) / "ledger.jsonl").held_for_reading() as ledger:
        return Digest(ledger.sealed[0 if oldest else -1].brief.index)


def to_trash(store: Store, board: Board[LocalKeeper], digest: Digest) -> Path:
    """Move a content to the trash; return where it is then."""
    place = trash.new_place(store, board.clock.now()) / digest
    store.contents.path(digest).rename(place)
    return place


def test_what_is_taken_back_finds_its_folder_though_a_copy_has_left_it_out(
    store: Store, board: Board[LocalKeeper]
) -> None:
    """Many a program that copies a store leaves folders out that are empty."""
    digest = names.check_digest(hashlib.sha256(b"1.43").hexdigest())
    to_trash(store, board, digest)
    shutil.rmtree(store.contents.path(digest).parent)

    account_captures.take_back(store, PIER_3)

    assert store.contents.path(digest).read_bytes() == b"1.43"


class FullDisk(StoreDisk):
    """A disk that takes no more names."""

    def rename_new(self, source: Path, target: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", str(source), None, str(target))


def test_an_index_that_cannot_be_taken_back_is_told_with_both_places(
    store: Store, board: Board[LocalKeeper]
) -> None:
    index = index_of(store)
    place = to_trash(store, board, index)

    with pytest.raises(MachineError) as said:
        account_captures.take_back(replace(store, disk=FullDisk()), PIER_3)

    newest = captures_of(store)[-1].name
    assert str(said.value) == (
        f"capture {newest} of pier-3 needs {place}, which cannot be taken back to "
        f"{store.contents.path(index)}"
    )
    account_captures.take_back(store, PIER_3)
    assert store.contents.has(index)


def test_the_index_of_a_capture_that_is_gone_is_not_taken_back(
    store: Store, board: Board[LocalKeeper]
) -> None:
    place = to_trash(store, board, index_of(store, oldest=True))
    shutil.rmtree(captures_of(store)[0])

    account_captures.take_back(replace(store, disk=FullDisk()), PIER_3)
    account_captures.take_back(store, PIER_3)

    assert place.exists()


def test_an_index_that_is_there_is_no_trouble_though_another_copy_rests_in_the_trash(
    store: Store, board: Board[LocalKeeper]
) -> None:
    index = index_of(store)
    place = to_trash(store, board, index)
    shutil.copyfile(place, store.contents.path(index))

    account_captures.take_back(replace(store, disk=FullDisk()), PIER_3)

    assert place.exists()


def test_what_is_counted_and_has_not_changed_is_not_read_again(store: Store) -> None:
    before = rows(store)
    for oldest in (True, False):
        store.contents.path(index_of(store, oldest=oldest)).unlink()

    assert account_captures.bring_up_to_date(store) == ()
    assert rows(store) == before


@pytest.mark.parametrize("known", [(), (1,), (2,)])
def test_whatever_was_forgotten_is_counted_in_its_order(store: Store, known: tuple[int]) -> None:
    before = rows(store)
    with references.opened(store) as held:
        both = held.captures(PIER_3)
        held.remove(PIER_3, [capture.name for capture in both if capture.seq not in known])
        assert [capture.seq for capture in held.captures(PIER_3)] == list(known)

    assert account_captures.bring_up_to_date(store) == ()

    assert rows(store) == before
    with references.opened(store) as held:
        assert held.captures(PIER_3) == both
        assert held.head(PIER_3) == 2


class Interrupted(stores.Store):
    """A store in which others get on with their work before a board's folder is looked at."""

    meanwhile: dict[int, Callable[[], object]] = {}  # noqa: RUF012  set by the test
    looks = 0

    def board_folder(self, board: BoardName) -> Path:
        Interrupted.looks += 1
        Interrupted.meanwhile.pop(Interrupted.looks, lambda: None)()
        return super().board_folder(board)


def test_a_capture_that_is_sealed_between_two_looks_is_not_missing(
    store: Store, board: Board[LocalKeeper]
) -> None:
    """The captures are listed, then the ledger is read, which has one more by then."""
    board.clock.advance(86_400)
    board.files[b"srv/reading"] = b"1.44"
    Interrupted.looks, Interrupted.meanwhile = 0, {2: board.capture}
    held = Interrupted(store.root, store.facts, store.disk)

    assert account_captures.missing(held, PIER_3) == ()

    assert Interrupted.meanwhile == {}
    assert [capture.seq for capture in board.keeper.captures()] == [1, 2, 3]


@pytest.mark.parametrize("lost", [1, 2, 3])
def test_a_capture_is_called_missing_after_three_looks_and_not_after_two(
    store: Store, lost: int
) -> None:
    """Each look asks twice where the board's folder is: for its captures, and for its ledger."""
    newest = captures_of(store)[-1]
    away = store.root / "away"
    newest.rename(away)
    Interrupted.looks = 0
    Interrupted.meanwhile = {2 * lost + 1: lambda: away.rename(newest)}
    held = Interrupted(store.root, store.facts, store.disk)

    found = account_captures.missing(held, PIER_3)

    assert found == ((newest.name,) if lost == 3 else ())


@pytest.mark.parametrize("ask", [account_captures.bring_up_to_date, account_captures.recount])
def test_a_manifest_that_cannot_be_read_is_told_with_board_and_capture(
    store: Store, ask: Callable[[Store], tuple[str, ...]]
) -> None:
    newest = captures_of(store)[-1]
    with references.opened(store) as held:
        held.remove(PIER_3, [newest.name])
    manifest = newest / board_captures.MANIFEST
    manifest.chmod(0o600)
    manifest.write_bytes(manifest.read_bytes()[:100])

    (complaint,) = ask(store)

    assert complaint.startswith(f"pier-3: manifest of pier-3 {newest.name}")
