"""Whether the keeper's clock can be right: a keeper without a battery may begin in 1970.

By such a clock no capture has a date beyond doubt, so that rules of days and months would judge
by numbers alone, and what is put into the trash would seem to have rested for years.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError, PreflightError
from holdstill.keeper import retention
from holdstill.keeper.ledger import LedgerFile

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from holdstill.keeper.store import Store


def check(store: Store, now: datetime) -> None:
    """Refuse to judge by dates when the newest captures of most boards come from the future.

    Of one board alone, the clock was wrong when its capture arrived.

    Raises:
        PreflightError: the clock must be wrong.
    """
    found = list(_newest_arrivals(store))
    ahead = sorted(arrived for arrived in found if retention.is_ahead(arrived, now))
    if 2 * len(ahead) > len(found):
        raise PreflightError(
            f"the clock of this keeper shows {now:%Y-%m-%d %H:%M}, but captures arrived "
            f"later than that, as late as {ahead[-1]}",
            hint="nothing was deleted. Set the clock (`timedatectl` shows it), then thin; if it "
            "is right now and was wrong then, the boards' next captures end this",
        )


def _newest_arrivals(store: Store) -> Iterator[str]:
    for board in store.boards():
        # Whoever cannot be read is told elsewhere.
        with suppress(HoldstillError, OSError):
            newest = LedgerFile(store.board_folder(board) / "ledger.jsonl").read().last_sealed
            if newest is not None:
                yield newest.brief.arrived_at
