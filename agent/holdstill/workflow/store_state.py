"""What is wrong with a store as a whole, for whoever asks how a keeper is doing.

Only what can be seen at a glance: nothing is read again, and nothing is changed. The captures of
each board are judged in `silence`; whether contents are good, `verify` says.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.keeper import account, odd_places
from holdstill.keeper.account import Rules, Spent
from holdstill.offsite import run_notes

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from holdstill.keeper.store import Store
    from holdstill.model.settings import KeeperSettings


def troubles(
    store: Store, settings: KeeperSettings, *, now: datetime, is_shut_off: bool = False
) -> tuple[str, ...]:
    """Return what needs a look: sentences, each with its path and what to do.

    now: by the keeper's clock.
    is_shut_off: whether the store may be read-only for this process alone, by its unit.
    """
    return (
        *(() if is_shut_off else _read_only(store)),
        *_shortage(store, settings),
        *odd_places.found(store),
        *_strange_names(store, settings),
        *run_notes.troubles(store.root, now),
    )


def _read_only(store: Store) -> Iterator[str]:
    if os.statvfs(store.root).f_flag & os.ST_RDONLY:
        yield (
            f"{store.root}: it is on a file system that is read-only: no board can capture; what "
            "to do: see `dmesg` whether its disk is failing, then mount it for writing"
        )


def _strange_names(store: Store, settings: KeeperSettings) -> Iterator[str]:
    boards = set(store.boards())
    for group, members in settings.groups.items():
        for name in sorted(set(members) - boards):
            yield (
                f"groups in the keeper's settings: {group} has a board {name}, which is none of "
                f"{store.root}; what to do: correct the name, or take it out"
            )
    for name in sorted(settings.notify.silent_days_of.keys() - boards):
        yield (
            f"notify.silent_days_of in the keeper's settings has a board {name}, which is none "
            f"of {store.root}; what to do: correct the name, or take the line out"
        )


def _shortage(store: Store, settings: KeeperSettings) -> Iterator[str]:
    """Say that no board can bring anything, whatever it may bring by its own limits."""
    rules = Rules(settings, settings.limits)
    free, inodes = store.free()
    for allowance in rules.allowances(account.Balance(), Spent(bytes=free, inodes=inodes)):
        if allowance.key.startswith("min_free") and allowance.left <= 0:
            yield (
                f"{store.root}: {allowance.said('', 0)}: no board can capture; what to do: "
                "`holdstill thin` says what retention would give up, `trash_days` for how long "
                "that rests; or a larger disk"
            )
