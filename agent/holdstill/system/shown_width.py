"""How wide the terminal is on which whoever reads our pipe shows what comes through it."""

from __future__ import annotations

import os

VARIABLE = "HOLDSTILL_WIDTH"


def stated() -> int:
    """Return the columns that were stated; 0 where nobody has stated any."""
    said = os.environ.get(VARIABLE, "")
    return int(said) if said.isdecimal() else 0


def stating(columns: int) -> tuple[tuple[str, str], ...]:
    """Return what to add to a program's environment; nothing for 0 columns."""
    return ((VARIABLE, str(columns)),) if columns else ()
