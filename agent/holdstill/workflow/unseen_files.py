"""What a capture could not look at: named with it, so that nothing stays out in silence."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.board.scan import ScanProblem
from holdstill.model.finding import Finding, FindingKind
from holdstill.model.paths import display
from holdstill.model.sizes import counted

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdstill.board.layout import BoardPart
    from holdstill.model.entries import Entry

_LOCKED = "it is encrypted, and locked: what is in there is not captured"
NAMED = 20
"""Paths of a partition that get a finding each; the rest is counted."""


def findings(
    part: BoardPart, problems: Iterable[ScanProblem], locked: Iterable[Entry]
) -> Iterator[Finding]:
    """Yield a finding for each path that is not in the capture, once.

    Args:
        part: where they are.
        problems: what could not be looked at.
        locked: folders that are encrypted and were locked.
    """
    shut = (ScanProblem(folder.path, _LOCKED, "unlock it before a capture") for folder in locked)
    lost = list(dict.fromkeys((*(one for one in problems if one.is_loss), *shut)))
    for one in lost[:NAMED]:
        place = _place(part, one.path)
        yield _missing(place, one.reason, f"{one.hint}; or put {place} into `exclude`")
    if rest := lost[NAMED:]:
        yield _missing(
            f"{part.label}: further paths",
            f"{counted(len(rest), 'more path')} could not be looked at, from "
            f"{_place(part, rest[0].path)} on",
            "mend what is the matter with those that are named",
        )


def _missing(what: str, why: str, hint: str) -> Finding:
    return Finding(kind=FindingKind.MISSING, what=what, why=why, hint=hint)


def _place(part: BoardPart, path: bytes) -> str:
    top = part.place.rstrip("/") if part.place else f"{part.number}:"
    return f"{top}/{display(path)}"
