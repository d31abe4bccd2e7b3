"""What a board remembers of its own captures, held against what the keeper has of them.

A store that was put back from an older copy is sound in itself: nothing in it tells that there was
more. The board knows. Each capture says which one its machine had sealed before it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.keeper.ledger import Ledger
    from holdstill.model.protocol import CaptureBrief

RECENT = 10
"""Captures that are looked at: what was said longer ago was seen by then."""
_ELSEWHERE = 2
"""Captures in these that did not know of the one before; one is what an old card brings."""


def doubt(ledger: Ledger) -> str:
    """Return what the newest captures say that does not fit the ledger; "" for nothing.

    What was said before the owner last accepted the ledger is left out.
    """
    placed = zip(ledger.sealed_at, ledger.sealed, strict=True)
    briefs = [event.brief for line, event in placed if line > ledger.accepted_at][-RECENT:]
    return _lost(briefs) or _elsewhere(briefs)


def _lost(briefs: Sequence[CaptureBrief]) -> str:
    """The first capture of all is of a board that was enrolled anew: nothing is missed here."""
    for brief in reversed(briefs):
        if brief.last_known >= brief.seq > 1:
            return (
                f"when it brought capture {brief.seq}, it had brought capture {brief.last_known} "
                "before: captures are lost here, or the store was put back from an older copy"
            )
    return ""


def _elsewhere(briefs: Sequence[CaptureBrief]) -> str:
    """A machine that knows of none was rebuilt, or set up anew."""
    found = [str(b.seq) for b in briefs if 0 < b.last_known < b.seq - 1]
    if len(found) < _ELSEWHERE:
        return ""
    return (
        f"captures {', '.join(found)} are of a machine that did not know of the one before: if it "
        "is not an old card that was put back as often, two machines use its key"
    )
