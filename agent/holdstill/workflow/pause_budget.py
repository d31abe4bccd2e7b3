"""What a pause would have to copy, and whether it can: in its memory, before the guard lets go.

A pause that cannot end well holds services up for nothing. It is refused while they still run.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

from holdstill.errors import PauseError
from holdstill.model import paths, sizes
from holdstill.workflow import precopy
from holdstill.workflow.precopy import PendingAmount


class OverBudgetError(PauseError):
    """The pause could not end well; it was not begun."""


@dataclass(frozen=True)
class PauseLoad:
    """What a pause would have to copy.

    Attributes:
        memory: bytes that it takes there, page by page; holes take none.
        largest: path on the board of the file that takes most, b"" for none.
    """

    files: int = 0
    memory: int = 0
    largest: bytes = b""
    largest_bytes: int = 0

    @classmethod
    def of_file(cls, path: bytes, size: int) -> Self:
        """Return the load of one file."""
        return cls(1, size, path, size)

    def __add__(self, other: PauseLoad) -> PauseLoad:
        """Return both together."""
        most = max(self, other, key=lambda load: load.largest_bytes)
        return PauseLoad(
            self.files + other.files, self.memory + other.memory, most.largest, most.largest_bytes
        )


def check_memory(load: PauseLoad, room: int) -> None:
    """Refuse what does not fit the bytes of memory that the pause may fill.

    Raises:
        OverBudgetError: it does not.
    """
    if load.memory > room:
        raise OverBudgetError(
            f"the pause would have to copy {sizes.human(load.memory)} into memory, and may take "
            f"{sizes.human(room)}; nothing was held still{_mostly(load)}",
            hint="exclude what is rewritten all the time, capture while it is not written to, or "
            "raise `pause.spool_share`",
        )


def check_time(load: PauseLoad, rate: float, ceiling: float) -> None:
    """Refuse what is not copied before the guard lets go.

    Args:
        load: what is to be copied.
        rate: bytes a second as measured; 0 if it is not known: then nothing is refused.
        ceiling: seconds that the guard allows.

    Raises:
        OverBudgetError: it would take longer.
    """
    if not rate:
        return
    seconds = precopy.predict(PendingAmount(load.files, load.memory), rate)
    if seconds > ceiling:
        raise OverBudgetError(
            f"the pause would take {seconds:.1f} s: it would have to copy "
            f"{sizes.human(load.memory)}, at {sizes.human(round(rate))} a second as measured, and "
            f"may take {ceiling:g} s; nothing was held still{_mostly(load)}",
            hint="exclude what is rewritten all the time, capture while it is not written to, or "
            "raise `pause.ceiling`",
        )


def _mostly(load: PauseLoad) -> str:
    """Name the file that takes most."""
    if not load.largest:
        return ""
    size = sizes.human(load.largest_bytes)
    return f". The largest file in it is {paths.display(load.largest)} ({size})"
