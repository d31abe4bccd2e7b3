"""Thinning: deleting captures that retention does not keep, and contents nobody needs any more.

The ledger says first what goes; then each capture is renamed into trash/ and deleted. A cut at
any point is finished by the next run. Nothing is deleted while anything about the board's
captures is suspicious.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.keeper import capture_tree_ahead, fetch_staging, incoming, retention
from holdstill.keeper.board_captures import INDEX, BoardCaptures
from holdstill.keeper.content_store import SHARDS
from holdstill.keeper.ledger import ThinnedEvent
from holdstill.keeper.sealing import Sealer
from holdstill.model.names import CaptureName
from holdstill.records import index_file
from holdstill.system import clocks

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.keeper.content_store import ContentLinks
    from holdstill.keeper.retention import Verdict
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.settings import Retention
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner

STALE = 14 * 86_400.0
"""Seconds after which what a broken-off run left is given up."""
MARGIN = 3600.0


@dataclass(frozen=True)
class CollectedGarbage:
    """What a sweep gave back."""

    contents: int
    bytes: int


def plan(
    store: Store, board: BoardName, rule: Retention, *, clock: Clock, runner: Runner
) -> tuple[Verdict, ...]:
    """Decide what thinning would do; nothing is changed.

    Raises:
        SecurityError: something about the board's captures is suspicious.
    """
    briefs = BoardCaptures(store, board, runner).briefs()
    faulty = [f"{brief.name}: {brief.faults[0]}" for brief in briefs if brief.faults]
    if faulty:
        raise SecurityError(
            f"captures of {board} are not as they should be: {'; '.join(faulty[:3])}",
            hint="nothing was deleted. Look into it first; `holdstill list` shows all",
        )
    return retention.judge(briefs, rule, now=clock.now())


def delete_captures(
    store: Store, board: BoardName, rule: Retention, *, clock: Clock, runner: Runner
) -> tuple[Verdict, ...]:
    """Delete the captures of a board that retention does not keep.

    Raises:
        BusyError: a run of the board is alive.
        SecurityError: something about the board's captures is suspicious.
    """
    lock = incoming.take_lock(store, board)
    try:
        shelf = BoardCaptures(store, board, runner)
        Sealer(shelf, clock=clock).recover()
        verdicts = plan(store, board, rule, clock=clock, runner=runner)
        kept = [verdict.name for verdict in verdicts if verdict.is_kept]
        # A tree ahead of any but the newest may hold contents that are not needed any more.
        capture_tree_ahead.clear(store, board, keep=kept[-1] if kept else "")
        victims = tuple(verdict.name for verdict in verdicts if not verdict.is_kept)
        if victims:
            disk, file = shelf.store.disk, shelf.ledger_file
            with file.held_for_writing(disk) as ledger:
                event = ThinnedEvent(captures=victims)
                file.append(ledger, [event], at=clocks.rfc3339(clock.now()), disk=disk)
            for name in victims:
                shelf.store.discard(shelf.folder / str(CaptureName.parse(name)))
            disk.sync_directory(shelf.folder)
        return verdicts
    finally:
        lock.release()


def collect_garbage(store: Store, *, clock: Clock) -> CollectedGarbage:
    """Delete contents that no capture holds, and what interruptions left.

    A content that a run has brought and not sealed yet stays while that run may go on.
    """
    _give_up_stale(store, clock)
    for grave in sorted(store.trash.iterdir()):
        store.disk.remove_tree(grave)
    # When the oldest unfinished run began, or a time that is never reached.
    begun = [_began(staging) for staging in _stagings(store)]
    oldest_run = min(begun, default=float("inf"))
    spared_from = oldest_run - MARGIN
    needed = None if store.facts.abilities.hard_links else _referenced(store)
    count = total = 0
    for shard in SHARDS:
        with store.alone_with_contents():
            for group in _groups(store, shard):
                for held in _garbage(group, needed):
                    if held.written_at < spared_from:
                        store.disk.unlink(held.path)
                        count, total = count + 1, total + held.allocated
    return CollectedGarbage(count, total)


def _groups(store: Store, shard: str) -> Iterator[list[ContentLinks]]:
    """Yield each content with its spare copies."""
    group: list[ContentLinks] = []
    for held in store.contents.shard(shard):
        if group and group[0].digest != held.digest:
            yield group
            group = []
        group.append(held)
    if group:
        yield group


def _garbage(group: list[ContentLinks], needed: frozenset[str] | None) -> list[ContentLinks]:
    """Return the files of one content that nobody needs.

    Its first copy stays while any copy is in use: it is the one that is found by name.
    """
    if needed is not None:
        return [] if group[0].digest in needed else group
    if all(held.links == 1 for held in group):
        return group
    return [held for held in group if held.links == 1 and held.path.name != held.digest]


def _referenced(store: Store) -> frozenset[str]:
    """Read every index for what it needs, where link counts do not say."""
    needed: set[str] = set()
    for board in store.boards():
        for path in (store.board_folder(board) / "captures").glob(f"*/{INDEX}"):
            with index_file.opened(path) as index:
                needed.update(digest.hex() for digest, _ in index.digests())
    return frozenset(needed)


def _stagings(store: Store) -> Iterator[Path]:
    for board in store.boards():
        yield from (store.board_folder(board) / "incoming").iterdir()


def _began(staging: Path) -> float:
    marker = staging / incoming.BEGUN
    return (marker if marker.exists() else staging).stat().st_mtime


def _lent(store: Store, board: BoardName) -> list[Path]:
    folder = fetch_staging.folder(store, board)
    return sorted(folder.iterdir()) if folder.is_dir() else []


def _give_up_stale(store: Store, clock: Clock) -> None:
    """Throw away stagings and lent folders that nobody came back for."""
    limit = clock.now().timestamp() - STALE
    for board in store.boards():
        for lent in _lent(store, board):
            if lent.stat().st_mtime < limit:
                store.discard(lent)
        if incoming.is_running(store, board):
            continue
        for staging in (store.board_folder(board) / "incoming").iterdir():
            if _began(staging) < limit:
                store.discard(staging)
    for draft in store.contents.drafts():
        if draft.stat().st_mtime < limit:
            store.disk.unlink(draft)
