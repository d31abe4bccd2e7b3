"""Whether the keeper's clock can be right: a keeper without a battery may begin in 1970.

By such a clock no capture has a date beyond doubt, so that rules of days and months would judge
by numbers alone, and what is put into the trash would seem to have rested for years.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError, PreflightError
from holdstill.keeper import enrolment, retention
from holdstill.keeper.ledger import LedgerFile

if TYPE_CHECKING:
    from datetime import datetime

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName


def check(store: Store, now: datetime) -> None:
    """Refuse to judge by dates when the newest captures of most boards come from the future.

    Of one board alone, the clock was wrong when its capture arrived.

    Raises:
        PreflightError: the clock must be wrong.
    """
    found = _witnesses(store)
    ahead = sorted(
        (arrived, board) for board, arrived in found.items() if retention.is_ahead(arrived, now)
    )
    if 2 * len(ahead) > len(found):
        latest, board = ahead[-1]
        raise PreflightError(
            f"the clock of this keeper shows {now:%Y-%m-%d %H:%M}, but captures arrived "
            f"later than that, as late as {latest} ({board})",
            hint="nothing was deleted. Set the clock (`timedatectl` shows it), then thin; if it "
            "is right now and was wrong then, the next captures end this, of "
            f"{', '.join(board for _, board in ahead)}. One that captures no more is no witness "
            f"once its key is withdrawn: `holdstill keeper retire {store.root} BOARD`; its "
            "captures stay",
        )


def _witnesses(store: Store) -> dict[BoardName, str]:
    """Return when the newest capture of each board arrived that has a key in use.

    A board that was retired brings no capture any more that would end what one wrong night began.
    Where there are only such boards, they are all that there is to judge by.
    """
    found: dict[BoardName, str] = {}
    retired: dict[BoardName, str] = {}
    for board in store.boards():
        # Whoever cannot be read is told elsewhere.
        with suppress(HoldstillError, OSError):
            newest = LedgerFile(store.board_folder(board) / "ledger.jsonl").read().last_sealed
            if newest is not None:
                is_live = bool(enrolment.read(store, board).live_keys)
                (found if is_live else retired)[board] = newest.brief.arrived_at
    return found or retired
