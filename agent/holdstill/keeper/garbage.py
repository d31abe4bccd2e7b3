"""Garbage collection: contents that no capture of any board needs, and what broken-off runs left.

It fails safe. What is needed is known from the captures' indexes, by the references; if one
board, capture or index cannot be read, nothing of anybody's is deleted. Contents go to the
trash first. A content that a run has uploaded and not sealed yet stays.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import BusyError, MachineError
from holdstill.keeper import (
    account_captures,
    clock_check,
    fetch_staging,
    incoming,
    readers,
    references,
    repair,
    trash,
)
from holdstill.keeper.content_store import SHARDS
from holdstill.model import names

if TYPE_CHECKING:
    from datetime import timedelta
    from pathlib import Path

    from holdstill.keeper.content_store import ContentFile
    from holdstill.keeper.references import References
    from holdstill.keeper.store import Store
    from holdstill.model.names import Digest
    from holdstill.system.clocks import Clock

_LOOKS = 3
"""How often captures that arrive meanwhile are accounted for in one collection."""
STALE = 86_400.0
"""Seconds after which what was laid out for a fetch is given up."""
RUN_GIVEN_UP = 7 * 86_400.0
"""Seconds without a sign of a run after which its staging goes: a first capture over a thin line
takes several nights, and what the board has shown and half sent is in there."""
RUN_LONGEST = 2 * 86_400.0
"""Seconds for which what a run has brought is spared although nothing needs it yet."""
MARGIN = 3600.0
"""Seconds that a run may have begun before the date of its staging directory."""


@dataclass(frozen=True)
class CollectedGarbage:
    """What became of contents that no capture needs.

    Attributes:
        contents, bytes: put into the trash: how many, and what they take on disk.
        given_back: bytes of what had rested there long enough, and was deleted.
        early: of these, bytes that were deleted before their time, since space is short.
        complaints: why nothing was collected: what cannot be read, so that nobody can tell what
            it needs.
    """

    contents: int = 0
    bytes: int = 0
    given_back: int = 0
    early: int = 0
    complaints: tuple[str, ...] = ()


def collect(store: Store, *, clock: Clock, grace: timedelta, min_free: int) -> CollectedGarbage:
    """Put contents that no capture needs into the trash, and empty what rested long enough.

    Args:
        store: of all boards; the caller owns it.
        clock: dates what is put into the trash.
        grace: how long contents rest there.
        min_free: bytes on the disk below which they rest less long.

    Raises:
        PreflightError: the clock must be wrong.
    """
    clock_check.check(store, clock.now())
    store.lay_out()
    repair.finish(store)  # an index that is back can be read
    count = total = 0
    for _ in range(_LOOKS):
        complaints = account_captures.bring_up_to_date(store)
        if complaints:
            return CollectedGarbage(count, total, complaints=complaints)
        _give_up_stale(store, clock)
        for left in trash.others(store):
            store.disk.remove_tree(left)
        try:
            moved = _move_to_trash(store, clock, grace)
        except references.UnsoundReferencesError as error:  # just checked: the disk is failing
            why = f"{error}; see `dmesg` whether the disk is failing"
            return CollectedGarbage(count, total, complaints=(why,))
        count, total = count + moved.contents, total + moved.bytes
        if moved.is_all:
            break
    given_back, early = trash.empty(store, clock.now(), grace=grace, min_free=min_free)
    return CollectedGarbage(count, total, given_back, early)


class _Moved(NamedTuple):
    """How many contents went to the trash, their bytes, and whether that is all."""

    contents: int
    bytes: int
    is_all: bool


def _move_to_trash(store: Store, clock: Clock, grace: timedelta) -> _Moved:
    """Put what no capture needs into the trash, until one arrives that is not accounted for."""
    count, total, is_all = 0, 0, False
    with references.opened(store) as known:
        for shard in SHARDS:
            # Captures are sealed, and accounted for, under the other side of this lock.
            with store.alone_with_contents():
                # Both are read at one moment: somebody may be counting a board anew.
                with known.reading():
                    if not account_captures.has_all(store, known):
                        break
                    unneeded = _garbage(store, known, shard)
                # Asked after the listing: whose contents are listed has begun.
                spared_from = _oldest_run(store, clock) - MARGIN
                for held in unneeded:
                    if held.written_at < spared_from:
                        place = trash.new_place(store, clock.now())
                        store.disk.rename(held.path, place / held.path.name)
                        count, total = count + 1, total + held.allocated
        else:
            is_all = True
            _tidy_damaged(store, known, before=(clock.now() - grace).timestamp())
        known.drop_unused()
    return _Moved(count, total, is_all)


def _garbage(store: Store, known: References, shard: str) -> list[ContentFile]:
    low = bytes.fromhex(shard)
    needed = known.needed(low, low + b"\xff" * 32)
    return [
        held for held in store.contents.shard(shard) if bytes.fromhex(held.digest) not in needed
    ]


def _tidy_damaged(store: Store, known: References, *, before: float) -> None:
    def is_needed(digest: Digest) -> bool:
        low = bytes.fromhex(digest)
        return bool(known.needed(low, low + b"\0"))

    with store.alone_with_contents(), known.reading():
        repair.tidy(store, is_needed, before=before)


def _oldest_run(store: Store, clock: Clock) -> float:
    """Return when the oldest unfinished run began, or a time that is never reached.

    A run may be kept open for ever by who means harm: what it has brought rests in the trash, like
    that of others, when RUN_LONGEST has passed, and is taken back from there when it is wanted.
    """
    oldest = float("inf")
    longest_ago = clock.now().timestamp() - RUN_LONGEST
    for folder in store.board_folders():
        if _is_boards(folder):
            for staging in (folder / "incoming").iterdir():
                with suppress(FileNotFoundError):  # it has ended this very moment
                    oldest = min(oldest, max(longest_ago, _began(staging)))
    return oldest


def _began(staging: Path) -> float:
    marker = staging / incoming.BEGUN
    return (marker if marker.exists() else staging).lstat().st_mtime


def _is_boards(folder: Path) -> bool:
    """Return whether a folder is a board's, enrolled or not."""
    return names.is_board(folder.name) and (folder / "incoming").is_dir()


def _give_up_stale(store: Store, clock: Clock) -> None:
    """Delete the stagings of runs that nobody has gone on with, and old fetch directories.

    What such a run uploaded whole rests in the trash, from where the next one takes it back.
    """
    now = clock.now().timestamp()
    limit = now - STALE
    for reader in readers.every(store):
        with suppress(MachineError):
            laid_out = readers.folder(store, reader) / fetch_staging.NAME
            _discard_all(store, laid_out, before=limit)
    for board in (names.check_board(f.name) for f in store.board_folders() if _is_boards(f)):
        with suppress(MachineError):  # no folder of ours, and nothing of ours is in it
            _discard_all(store, fetch_staging.folder(store, board), before=limit)
        with suppress(BusyError, MachineError), incoming.take_lock(store, board, tries=1).held():
            _discard_runs(store, store.board_folder(board) / "incoming", now - RUN_GIVEN_UP)


def _discard_runs(store: Store, folder: Path, before: float) -> None:
    """Delete the stagings in which nothing has changed since a moment (Unix time)."""
    store.check_own(folder)
    for item in sorted(folder.iterdir()):
        inside = item.iterdir() if item.is_dir() and not item.is_symlink() else ()
        if max(path.lstat().st_mtime for path in (item, *inside)) < before:
            store.discard(item)


def _discard_all(store: Store, folder: Path, *, before: float) -> None:
    """Delete what is in a folder and was last changed before a moment (Unix time)."""
    store.check_own(folder)
    for item in sorted(folder.iterdir()) if folder.is_dir() else ():
        if item.lstat().st_mtime < before:
            store.discard(item)
