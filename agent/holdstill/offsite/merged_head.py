"""One head in place of many: what a run of heads has told, and still holds, in a single one. Pure.

Readers take every head that is there; one that merges others only tells again, so that nobody who
makes one can take anything away before the locks of the others end.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.offsite.head import SealedPart

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.offsite.head import AwayCapture, Head, LedgerPart, PackObject, SentCapture

MANY = 64
"""Heads that are let be before they are merged: each is locked again at half of its time."""
LARGEST = 2 << 20
"""Bytes of a head from which on it stays as it is: merging it would write too much again."""

TOGETHER = 2 * LARGEST
"""Bytes of all heads that are merged: readers have a limit (`head_limits`), which what they tell
is to be far below."""


def run(sizes: Sequence[tuple[int, int]]) -> list[int]:
    """Return the numbers of the heads that are to be merged now; none if that is not worth it.

    Args:
        sizes: number and bytes of the heads that count, in their order.
    """
    if len(sizes) <= MANY:
        return []
    found: list[int] = []
    total = 0
    for number, size in reversed(sizes):
        total += size
        if size >= LARGEST or total > TOGETHER:
            break
        found.append(number)
    return found[::-1] if is_worth_it(len(found)) else []


def is_worth_it(heads: int) -> bool:
    """Return whether so many heads are enough to write all that they tell once more."""
    return heads > MANY // 2


def merged(
    heads: Sequence[Head],
) -> tuple[tuple[PackObject, ...], tuple[str, ...], SealedPart]:
    """Return what came, what went, and the sealed part, that tell what these heads tell."""
    gone = {name for one in heads for name in one.open.went}
    came = {pack.name: pack for one in heads for pack in one.open.came}
    packs = {pack.name: pack for one in heads for pack in one.sealed.packs}
    captures: dict[tuple[str, str], SentCapture] = {}
    released: set[tuple[str, str]] = set()
    away: dict[tuple[str, str], AwayCapture] = {}
    for one in heads:
        away |= {(left.board, left.brief.name): left for left in one.sealed.away}
        for sent in one.sealed.captures:
            captures.setdefault((sent.board, sent.brief.name), sent)
        for name in one.sealed.released:
            away.pop(name, None)
            if captures.pop(name, None) is None:
                released.add(name)  # told of before these heads: it stays released
    sealed = SealedPart(
        packs=tuple(pack for name, pack in packs.items() if name not in gone),
        captures=tuple(captures.values()), ledgers=_ledgers(heads),
        released=tuple(sorted(released - captures.keys())), away=tuple(away.values()),
    )  # fmt: skip
    kept = tuple(pack for name, pack in came.items() if name not in gone)
    return kept, tuple(sorted(gone - came.keys())), sealed


def _ledgers(heads: Sequence[Head]) -> tuple[LedgerPart, ...]:
    """Return the parts of ledgers that hold: each takes the place of what began there or later."""
    found: list[LedgerPart] = []
    for part in (part for one in heads for part in one.sealed.ledgers):
        found = [one for one in found if one.board != part.board or one.offset < part.offset]
        found.append(part)
    return tuple(found)
