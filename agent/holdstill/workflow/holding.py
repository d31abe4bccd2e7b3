"""The pause: freeze every file system, take what changed into memory, let go.

Between freezing and thawing only `Tree.still` runs: it reads, and copies to memory. Everything
that could write, log, start a program or wait for the network is before or after.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.board import freeze, guard

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.board.mounts import Mount
    from holdstill.board.spool import Spool
    from holdstill.records.index_file import Index
    from holdstill.system.clocks import Clock
    from holdstill.workflow.ports import PausedTree


@dataclass(frozen=True)
class Held:
    """How holding still went.

    Attributes:
        frozen_seconds: from the first freeze to the last thaw; 0 when nothing was frozen.
        monotonic: moment inside the frozen span, on the monotonic clock.
        unfrozen: devices that turned out not to be freezable.
        troubles: what went wrong without breaking the instant.
        notes: what the kernel did not grant the guard; it worked all the same.
    """

    frozen_seconds: float
    monotonic: float
    unfrozen: frozenset[tuple[int, int]] = frozenset()
    troubles: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def hold_still(
    trees: Sequence[PausedTree],
    index: Index,
    spool: Spool,
    *,
    to_freeze: Sequence[Mount],
    all_mounts: Sequence[Mount],
    ceiling: float,
    clock: Clock,
    journal: Path,
) -> Held:
    """Freeze, let every tree take what changed, thaw.

    Args:
        trees: all trees, of frozen file systems and others.
        index: read only in the pause; nothing may be uncommitted.
        spool: receives contents.
        to_freeze: mounts of the file systems to be frozen; may be empty.
        all_mounts: everything mounted.
        ceiling: seconds after which the guard lets go.
        clock: measures.
        journal: directory in memory that tells a later run what was frozen.

    Raises:
        PauseError: not everything could be frozen, or the instant was broken; everything runs.
    """
    for tree in trees:
        tree.prepare_freeze()
    if not to_freeze:
        moment = clock.monotonic()
        _take(trees, index, spool)
        return Held(0.0, moment)
    with (
        freeze.hold_mounts(to_freeze, all_mounts=all_mounts) as held,
        guard.armed(held, seconds=ceiling, clock=clock, journal=journal) as watcher,
    ):
        with freeze.frozen(watcher) as window:
            _take(trees, index, spool)
        shortcomings = watcher.shortcomings
    return Held(
        window.seconds,
        window.began,
        frozenset(mount.mount.device for mount in window.unfreezable),
        tuple(window.troubles),
        shortcomings,
    )


def _take(trees: Sequence[PausedTree], index: Index, spool: Spool) -> None:
    for tree in trees:
        tree.collect_frozen(index, spool)
