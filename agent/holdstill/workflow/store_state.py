"""What is wrong with a store as a whole, for whoever asks how a keeper is doing.

Only what can be seen at a glance: nothing is read again, and nothing is changed. The captures of
each board are judged in `silence`; whether contents are good, `verify` says.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.keeper import account, odd_places
from holdstill.keeper.account import Rules, Spent

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.keeper.store import Store
    from holdstill.model.settings import KeeperSettings


def troubles(store: Store, settings: KeeperSettings) -> tuple[str, ...]:
    """Return what needs a look: sentences, each with its path and what to do."""
    return (*_shortage(store, settings), *odd_places.found(store))


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
