"""Brings the references up to date with the captures that the store has, whoever owns them.

Every folder of a board counts, enrolled or not, and every capture in it, in the ledger or not:
whatever is there may be wanted. What cannot be read, or is missing, is returned as a complaint;
while there is one, nothing may be deleted, for nobody can tell what it needs.
"""

from __future__ import annotations

import itertools
import os
from contextlib import suppress
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import HoldstillError, MachineError, UsageError, VerificationError
from holdstill.keeper import references, trash
from holdstill.keeper.board_captures import MANIFEST, MISSING, StoredCapture, ledger_back
from holdstill.keeper.content_store import SHARDS
from holdstill.keeper.ledger import Ledger, LedgerFile, SealedEvent
from holdstill.keeper.references import AccountedCapture, ContentSum
from holdstill.keeper.store import REMEMBERED
from holdstill.model import names
from holdstill.model.names import CaptureName, Digest
from holdstill.records import capture_contents, manifest_file
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path

    from holdstill.keeper.references import References
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName


_LOOKS = 3
"""How often captures and ledger are looked at before one is called missing."""


class _Found(NamedTuple):
    """One capture in a board's folder."""

    name: CaptureName
    folder: Path


def bring_up_to_date(store: Store) -> tuple[str, ...]:
    """Account for all captures; return a complaint for all that cannot be judged.

    A damaged database is made again. When this returns nothing, the database says of every
    capture in the store what it needs, and agrees with the ledgers.
    """
    try:
        with references.opened(store) as held:
            held.check()
            return _all_boards(store, held)
    except references.UnsoundReferencesError:
        return make_again(store)


def make_again(store: Store) -> tuple[str, ...]:
    """Make the database again from the captures' indexes; return what cannot be read."""
    references.discard(store)
    try:
        with references.opened(store) as held:
            return _all_boards(store, held)
    except references.UnsoundReferencesError as error:
        return (f"the store's disk damages what is written to it: {error}",)


def ensure_sound(store: Store) -> None:
    """Make a damaged database again; what else is wrong is told by whoever uses it."""
    try:
        with references.opened(store) as held:
            held.check()
    except references.UnsoundReferencesError:
        make_again(store)


def recount(store: Store) -> tuple[str, ...]:
    """Count anew what every capture needs, beside live ones; return what cannot be read.

    A sound database is emptied in place, for others may have it open. What it has of a board stays
    if the board's folder, or a capture, is gone: only so is it known what these needed.
    """
    try:
        with references.opened(store) as held:
            held.check()
            for board in map(names.check_board, held.boards()):
                if (store.root / "boards" / board).is_dir() and not _missing(store, held, board):
                    held.remove_board(board)
            return _all_boards(store, held)
    except references.UnsoundReferencesError:
        return make_again(store)


def _missing(store: Store, held: References, board: BoardName) -> list[str]:
    """Return the captures that are gone, or what keeps anybody from telling."""
    try:
        return _look(store, held, board)[2]
    except (HoldstillError, OSError) as error:  # told when it is counted
        return [str(error)]


def missing(store: Store, board: BoardName) -> tuple[str, ...]:
    """Return the captures of a board that are gone, or whose index is; nobody deleted them.

    Raises:
        HoldstillError, OSError: nobody can tell.
    """
    with references.opened(store) as held:
        found, ledger, gone = _look(store, held, board)
    here = {str(capture.name) for capture in found}
    unreadable = (
        event.brief.name
        for event in ledger.sealed
        if event.brief.name in here and not store.contents.has(Digest(event.brief.index))
    )
    return tuple(sorted({*gone, *unreadable}))


def unlisted(store: Store, board: BoardName, *, is_waiting: bool = True) -> tuple[str, ...]:
    """Say what the store remembers of a board that its ledger does not have.

    is_waiting: whether ledger and references are read when nobody else is writing to them; if
    not, what the references remember is left out while somebody does.
    """
    # First, for what is remembered was in the ledger before that.
    known = store.known_boards.newest(board)
    accounted = _known(
        store,
        lambda held: (capture.name for capture in held.captures(board)),
        is_waiting=is_waiting,
    )
    ledger = _ledger(store, board, is_waiting=is_waiting)
    listed = {event.brief.name for event in ledger.sealed}
    here = {str(capture.name) for capture in _captures_of(store, board)}
    folder = store.board_folder(board) / "captures"
    said = [
        f"{folder / name}: this capture is {MISSING}" for name in sorted(accounted - listed - here)
    ]
    return (*said, *_rolled_back(store, board, ledger, known))


def _rolled_back(store: Store, board: BoardName, ledger: Ledger, known: int) -> tuple[str, ...]:
    """Say that a ledger ends before a capture that the store remembered before it was read."""
    newest = ledger.sealed[-1].brief.seq if ledger.sealed else 0
    if newest >= known:
        return ()
    path = store.board_folder(board) / "ledger.jsonl"
    end = f"ends with capture {newest}" if newest else "is empty"
    do = ledger_back(store.root, board)
    return (f"{path}: {MISSING}: it {end}, and there was a capture {known}; what to do: {do}",)


def _known(
    store: Store, ask: Callable[[References], Iterable[str]], *, is_waiting: bool
) -> set[str]:
    """Return names that the references have; none where nobody can tell. Makes no database."""
    if not os.path.lexists(store.root / references.NAME):
        return set()
    with (
        suppress(references.UnsoundReferencesError, HoldstillError),
        _opened(store, is_waiting=is_waiting) as held,
    ):
        return set(ask(held))
    return set()


def _opened(store: Store, *, is_waiting: bool) -> AbstractContextManager[References]:
    if is_waiting:
        return references.opened(store)
    return references.opened(store, patience=references.NO_PATIENCE)


def differences(store: Store) -> tuple[str, ...]:
    """Return the captures (board/capture) whose contents in the database are not the ledger's.

    Nothing is changed, and a database that is not there is none.

    Raises:
        UnsoundReferencesError, PreflightError: it cannot be read.
    """
    if not os.path.lexists(store.root / references.NAME):
        return ()
    with references.opened(store) as held:
        held.check()
        return tuple(
            f"{board}/{name}"
            for board in held.boards()
            if (store.root / "boards" / board).is_dir()
            for name in _differing(store, held, names.check_board(board))
        )


def _differing(store: Store, held: References, board: BoardName) -> list[str]:
    try:
        return list(_disagreeing(held, board, _ledger(store, board)))
    except (HoldstillError, OSError):  # a ledger that cannot be read is told of by others
        return []


def has_all(store: Store, held: References) -> bool:
    """Return whether every capture that is in the store now is accounted for."""
    for folder in store.board_folders():
        board = names.check_board(folder.name)
        accounted = {capture.name for capture in held.captures(board)}
        if any(str(found.name) not in accounted for found in _captures_of(store, board)):
            return False
    return True


def _all_boards(store: Store, held: References) -> tuple[str, ...]:
    complaints: list[str] = []
    boards: list[BoardName] = []
    for folder in sorted((store.root / "boards").iterdir()):
        try:
            boards.append(names.check_board(folder.name))
        except UsageError:
            complaints.append(f"{folder}: the folder of no board")
    gone = {*held.boards(), *store.lost_boards()}.difference(boards)
    complaints += [
        f"{store.root / 'boards' / board}: the folder of this board is gone"
        for board in sorted(gone)
    ]
    if not boards and not gone and not held.has_any():
        complaints += _nobodys(store)
    for board in boards:
        complaints += _looked_at(store, held, board)
    _take_back_needed(store, held)
    return tuple(complaints)


def _looked_at(store: Store, held: References, board: BoardName) -> list[str]:
    """Account for a board; what another process deletes meanwhile is looked at once more."""
    tries = _LOOKS
    while True:
        tries -= 1
        try:
            return _one_board(store, held, board)
        except (HoldstillError, OSError) as error:
            if tries == 0:
                return [f"{board}: {error}"]
        except MemoryError:
            return [f"{board}: there is not enough memory to read what its captures need"]


def _take_back_needed(store: Store, held: References) -> None:
    """Take back from the trash what captures need: some came back that were gone."""
    for place in trash.resting(store):
        for shard, resting in itertools.groupby(trash.contents(place), key=lambda name: name[:2]):
            low = bytes.fromhex(shard)
            needed = held.needed(low, low + b"\xff" * 32)
            trash.take_all_back(store, [name for name in resting if bytes.fromhex(name) in needed])


def take_back(store: Store, board: BoardName) -> None:
    """Take back from the trash what the captures need that are in a board's folder.

    Raises:
        MachineError: what one needs rests there, and cannot be taken back.
    """
    store.lay_out()
    captures = _captures_of(store, board)
    with store.using_contents():
        for found in captures:
            capture = StoredCapture(board, found.name, found.folder, trash.TakingBack(store))
            with suppress(HoldstillError, OSError):  # what cannot be read, others tell
                needed = (Digest(digest.hex()) for digest, _ in capture_contents.needed(capture))
                trash.take_all_back(store, (d for d in needed if not store.contents.has(d)))
        here = {str(found.name) for found in captures}
        for brief in (event.brief for event in _ledger(store, board).sealed):
            index = Digest(brief.index)
            if brief.name not in here or store.contents.has(index):
                continue
            if place := trash.place_of(store, index):
                raise MachineError(
                    f"capture {brief.name} of {board} needs {place}, which cannot be taken back "
                    f"to {store.contents.path(index)}",
                    hint="nothing was forgotten. See what keeps it there (`ls -ld` of both "
                    "folders, `df`), then say this again",
                )


def forget(store: Store, board: BoardName, captures: Sequence[str]) -> None:
    """Give up captures, and what they needed; the ledger is to have them as forgotten."""
    for name in captures:
        store.discard(store.board_folder(board) / "captures" / str(CaptureName.parse(name)))
    store.known_boards.forget(board)
    store.known_boards.note(board)
    try:
        with references.opened(store) as held:
            held.remove(board, captures)
    except references.UnsoundReferencesError:
        references.discard(store)


def lost_boards(store: Store, *, is_waiting: bool = True) -> frozenset[BoardName]:
    """Return the boards whose folder is gone, by what the store or the references remember.

    is_waiting: as for `unlisted`.
    """
    accounted = _known(store, lambda held: held.boards(), is_waiting=is_waiting)
    known = {*store.lost_boards(), *map(names.check_board, accounted)}
    return frozenset(known.difference(folder.name for folder in store.board_folders()))


def nobodys_contents(store: Store, *, is_waiting: bool = True) -> VerificationError | None:
    """Return the error that there are contents, and nothing that knows of any board; None if not.

    It is one only where nothing explains it: the references know contents of forgotten boards
    until these are collected. is_waiting: as for `unlisted`.
    """
    if store.board_folders() or lost_boards(store, is_waiting=is_waiting):
        return None
    if _known(store, lambda held: ["any"] if held.has_any() else [], is_waiting=is_waiting):
        return None
    found = _nobodys(store)
    hint = (
        f"put {store.root / 'boards'} and {REMEMBERED} back from a copy of the store, or mount "
        "the disk that they are on; all is there again then. Only if no capture of this store is "
        f"of use to anybody: delete what is in the folders of {store.contents.root}"
    )
    return VerificationError(found[0], hint=hint) if found else None


def _nobodys(store: Store) -> list[str]:
    """Say that there are contents, if there are any; nobody knows of a board."""
    for shard in SHARDS:
        with suppress(OSError):  # it is told, and nothing is deleted
            if store.contents.shard(shard):
                boards = store.root / "boards"
                said = (
                    f"{store.contents.root}: there are contents, and no board is in {boards} "
                    "or known to have been; nobody can tell whose these are"
                )
                return [said]
    return []


def forget_board(store: Store, board: BoardName) -> None:
    """Give up a board whose folder is gone, and what its captures needed."""
    try:
        with references.opened(store) as held:
            held.remove_board(board)
    except references.UnsoundReferencesError:
        references.discard(store)
    store.known_boards.forget(board)


def _ledger(store: Store, board: BoardName, *, is_waiting: bool = True) -> Ledger:
    """Return a board's ledger; where it is missing, an empty one."""
    file = LedgerFile(store.board_folder(board) / "ledger.jsonl", is_waiting=is_waiting)
    with file.held_for_reading() as ledger:
        return ledger


def _one_board(store: Store, held: References, board: BoardName) -> list[str]:
    known = store.known_boards.newest(board)
    found, ledger, gone = _look(store, held, board)
    folder = store.board_folder(board) / "captures"
    complaints = [f"{folder / name}: this capture is {MISSING}" for name in gone]
    if not gone:
        complaints += _rolled_back(store, board, ledger, known)
    with suppress(OSError):  # on a full disk, say, where this is what makes room
        store.known_boards.note(board, ledger.sealed[-1].brief.seq if ledger.sealed else 0)
    if complaints:
        return complaints
    present = {str(capture.name) for capture in found}
    held.remove(board, [c.name for c in held.captures(board) if c.name not in present])
    if not _continues(held, board, found):
        held.remove_board(board)
    accounted = {capture.name for capture in held.captures(board)}
    for capture in found:
        if str(capture.name) not in accounted:
            _add_if_there(store, held, board, capture)
    if not _agrees(held, board, ledger):
        held.remove_board(board)
        for capture in found:
            _add_if_there(store, held, board, capture)
    return [
        f"{store.board_folder(board) / 'captures' / name}: its index does not name what it "
        "named when it was sealed"
        for name in _disagreeing(held, board, ledger)
    ]


def _look(
    store: Store, held: References, board: BoardName
) -> tuple[list[_Found], Ledger, list[str]]:
    """Return a board's captures, its ledger, and what is missing of what it should have.

    One may be sealed, or thinned, between the two: what is missing is missing at every look.
    """
    tries = _LOOKS
    while True:
        found, ledger = _captures_of(store, board), _ledger(store, board)
        expected = {event.brief.name for event in ledger.sealed} | {
            capture.name for capture in held.captures(board)
        }
        missing = sorted(expected - ledger.thinned - {str(capture.name) for capture in found})
        tries -= 1
        if not missing or tries == 0:
            return found, ledger, missing


def _captures_of(store: Store, board: BoardName) -> list[_Found]:
    """Return the captures in a board's folder, oldest first; what else is there is no capture."""
    folder = store.board_folder(board) / "captures"
    found = []
    for path in folder.iterdir():
        try:
            name = CaptureName.parse(path.name)
        except UsageError:
            continue
        if not _is_remains(store, board, path):
            found.append(_Found(name, path))
    return sorted(found)


def _is_remains(store: Store, board: BoardName, folder: Path) -> bool:
    """Return whether this is what a power cut left of a capture that was being deleted.

    A disk may forget that the folder was renamed, and yet remember that files in it are gone.
    The board's next run takes the rest away.
    """
    with suppress(PermissionError):  # it is there; who reads it is told
        return not (folder / MANIFEST).exists() and folder.name in _ledger(store, board).thinned
    return False


def _continues(held: References, board: BoardName, found: Sequence[_Found]) -> bool:
    """Return whether what is accounted for is the same captures still, and the oldest of these."""
    accounted = held.captures(board)
    if held.head(board) != (accounted[-1].seq if accounted else 0):
        return False  # its newest capture is forgotten, and could not be added after the head
    seqs = [capture.name.seq for capture in found]
    if len(set(seqs)) != len(seqs):
        raise VerificationError(f"two captures of {board} have the same number")
    by_name = {str(capture.name): capture for capture in found}
    return [c.name for c in accounted] == [str(c.name) for c in found[: len(accounted)]] and all(
        manifest_file.digest(files.read_regular(by_name[c.name].folder / MANIFEST)) == c.manifest
        for c in accounted
    )


def _add_if_there(store: Store, held: References, board: BoardName, found: _Found) -> None:
    """Account for a capture, if it is not being thinned at this moment."""
    try:
        _add(store, held, board, found)
    except (HoldstillError, OSError):
        if str(found.name) not in _ledger(store, board).thinned:
            raise


def _add(store: Store, held: References, board: BoardName, found: _Found) -> None:
    """Account for a capture by its manifest and index.

    Raises:
        VerificationError, SecurityError, OSError: it cannot be read.
    """
    capture = StoredCapture(board, found.name, found.folder, trash.TakingBack(store))
    held.load(capture_contents.needed(capture))
    digest = manifest_file.digest(capture.manifest_bytes())
    held.add(board, AccountedCapture(found.name.seq, str(found.name), digest))


def add_newest(
    held: References, board: BoardName, event: SealedEvent, *, is_same: bool = False
) -> None:
    """Account for a capture that was sealed just now, and whose contents are loaded.

    Where captures before it are not accounted for yet, it has to wait for them. What needs the
    same as the capture before it needs nothing loaded.
    """
    accounted = held.captures(board)
    if (accounted[-1].seq if accounted else 0) == event.brief.seq - 1:
        brief = event.brief
        capture = AccountedCapture(brief.seq, brief.name, brief.manifest)
        if is_same:
            held.add_same(board, capture)
        else:
            held.add(board, capture, follows=brief.seq - 1)


def _agrees(held: References, board: BoardName, ledger: Ledger) -> bool:
    return not any(True for _ in _disagreeing(held, board, ledger))


def _disagreeing(held: References, board: BoardName, ledger: Ledger) -> Iterator[str]:
    """Yield the captures whose contents do not come to what the ledger has of them."""
    sealed = {event.brief.name: event for event in ledger.sealed}
    sums = held.sums(board)
    for capture in held.captures(board):
        event = sealed.get(capture.name)
        if event is None or capture.seq not in sums:  # it came or went since
            continue
        if sums[capture.seq] != ContentSum(event.contents, event.content_sum):
            yield capture.name
