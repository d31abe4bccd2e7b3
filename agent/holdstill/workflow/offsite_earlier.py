"""Locks are lengthened in copies that were left behind, for the captures that are there alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError
from holdstill.offsite import catch_up, earlier, keep_locked, offsite_settings, sent
from holdstill.offsite.locks import Locks
from holdstill.workflow import each_board, explain

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from holdstill.offsite.bucket import Bucket
    from holdstill.offsite.offsite_settings import OffsiteSettings
    from holdstill.system.clocks import Clock
    from holdstill.workflow.each_board import BoardTrouble


def hold(
    root: Path, clock: Clock, reach: Callable[[OffsiteSettings], Bucket]
) -> tuple[int, tuple[BoardTrouble, ...]]:
    """Lengthen the locks of all copies of a store that were left behind.

    Returns:
        How many were lengthened, and of which copies not all could be.
    """
    extended = 0
    troubles: list[BoardTrouble] = []
    for folder in earlier.every(root):
        try:
            settings = offsite_settings.read(folder)
            bucket = reach(settings)
            locks = Locks(bucket, settings.lock_days, clock)
            with sent.opened(folder / sent.NAME) as noted:
                if not noted.last_head().number:
                    catch_up.catch_up(bucket, noted, settings)
                extended += keep_locked.hold_away(bucket, noted, locks, settings.keeper)
        except (HoldstillError, OSError) as error:
            known = explain.explained(error)
            if known is None:
                raise
            troubles.append(each_board.trouble(f"the copy left behind in {folder}", known))
    return extended, tuple(troubles)
