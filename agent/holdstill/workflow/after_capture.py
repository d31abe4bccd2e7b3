"""What a keeper does about a board's newest capture when the board has gone.

No capture depends on any of it, and what fails here the next session does again.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError
from holdstill.keeper import enrolment, latest_tree
from holdstill.keeper.account import Account
from holdstill.workflow import judge_boot

if TYPE_CHECKING:
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.settings import KeeperSettings
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner


def follow_up(
    store: Store, board: BoardName, settings: KeeperSettings, *, clock: Clock, runner: Runner
) -> None:
    """Judge whether the newest capture would boot, and show its files as a tree."""
    with suppress(HoldstillError, OSError):
        judge_boot.note_newest(store, board, runner, clock=clock)
    with suppress(HoldstillError, OSError):
        account = Account(store, enrolment.read(store, board), settings, clock=clock)
        latest_tree.refresh(store, board, runner, account, is_wanted=settings.latest_tree)
