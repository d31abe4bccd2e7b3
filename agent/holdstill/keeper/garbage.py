"""Garbage collection: deleting contents that no capture holds, and what broken-off runs left.

Where the store has hard links, the link count of a content shows whether a capture has it;
elsewhere every index is read. A content that a run has uploaded and not sealed yet stays.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.keeper import fetch_staging, incoming
from holdstill.keeper.board_captures import INDEX
from holdstill.keeper.content_store import SHARDS
from holdstill.records import index_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.keeper.content_store import ContentLinks
    from holdstill.keeper.store import Store
    from holdstill.system.clocks import Clock

STALE = 14 * 86_400.0
"""Seconds after which what a broken-off run left is given up."""
MARGIN = 3600.0
"""Seconds that a run may have begun before the date of its staging directory."""


@dataclass(frozen=True)
class CollectedGarbage:
    """How much was deleted: a number of files, and bytes that were allocated to them."""

    contents: int
    bytes: int


def collect(store: Store, *, clock: Clock) -> CollectedGarbage:
    """Delete contents that no capture holds, and what interruptions left.

    A content that a run has brought and not sealed yet stays while that run may go on.
    """
    _give_up_stale(store, clock)
    for discarded in sorted(store.trash.iterdir()):
        store.disk.remove_tree(discarded)
    # When the oldest unfinished run began, or a time that is never reached.
    begun = [
        _began(staging)
        for board in store.boards()
        for staging in (store.board_folder(board) / "incoming").iterdir()
    ]
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
    """Return the files of one content that no capture needs.

    Its first copy stays while any copy is in use: it is the one that is found by name.
    """
    if needed is not None:
        return [] if group[0].digest in needed else group
    if all(held.links == 1 for held in group):
        return group
    return [held for held in group if held.links == 1 and held.path.name != held.digest]


def _referenced(store: Store) -> frozenset[str]:
    """Read the digests of every index, where there are no link counts."""
    needed: set[str] = set()
    for board in store.boards():
        for path in (store.board_folder(board) / "captures").glob(f"*/{INDEX}"):
            with index_file.opened(path) as index:
                needed.update(digest.hex() for digest, _ in index.digests())
    return frozenset(needed)


def _began(staging: Path) -> float:
    marker = staging / incoming.BEGUN
    return (marker if marker.exists() else staging).stat().st_mtime


def _give_up_stale(store: Store, clock: Clock) -> None:
    """Delete stagings and fetch directories that no run came back for."""
    limit = clock.now().timestamp() - STALE
    for board in store.boards():
        folder = fetch_staging.folder(store, board)
        for staged in sorted(folder.iterdir()) if folder.is_dir() else ():
            if staged.stat().st_mtime < limit:
                store.discard(staged)
        if incoming.is_running(store, board):
            continue
        for staging in (store.board_folder(board) / "incoming").iterdir():
            if _began(staging) < limit:
                store.discard(staging)
    for draft in store.contents.drafts():
        if draft.stat().st_mtime < limit:
            store.disk.unlink(draft)
