"""The ledgers of a board as an off-site copy tells them: each keeper's own, only appended to.

Ledgers are chained and not signed, so that who has once had a keeper's keys can tell of other
lines. What was told first stays: a part that says something else in its place is a fault, and what
one keeper's ledger gives up are captures of that keeper.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import VerificationError
from holdstill.keeper import ledger

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from holdstill.offsite.head import LedgerPart


MOST = 256 << 20
"""Bytes of one ledger: more than a line every five minutes for five years."""
_NAMED = 10
"""Faults that are told each."""


class KeptLedger(NamedTuple):
    """A ledger as far as it can be relied on.

    Attributes:
        lines: its bytes.
        expected: names of the captures that are expected to be there.
        given_up: names of those that are not.
        faults: what is told of it besides, each in words.
    """

    lines: bytes
    expected: frozenset[str]
    given_up: frozenset[str]
    faults: tuple[str, ...]


@dataclass
class _Joined:
    """Parts of a ledger put together.

    Attributes:
        lines: all of them so far.
        ends: where they ended after each part.
        faults: parts that do not fit.
    """

    lines: bytearray = field(default_factory=bytearray)
    ends: list[int] = field(default_factory=lambda: [0])
    faults: list[str] = field(default_factory=list)

    def take(self, part: LedgerPart, data: bytes) -> None:
        """Add a part that begins in the lines that there are, or right behind them."""
        known = self.lines[part.offset : part.offset + len(data)]
        if len(data) != part.length or not data.startswith(known):
            self.faults.append(f"lines from byte {part.offset} on are told otherwise later")
        elif len(data) > len(known):
            self.lines += data[len(known) :]
            self.ends.append(len(self.lines))


def joined(
    parts: Sequence[LedgerPart], document: Callable[[bytes], bytes], *, most: int = MOST
) -> KeptLedger:
    """Put a ledger together from its parts, in the order in which they were told of.

    Args:
        parts: of one keeper and board; some may be there more than once.
        document: fetches a content by its digest.
        most: bytes that are fetched at most; what is more is left out, and that is told.

    Raises:
        LinkError: the bucket cannot be read.
    """
    made = _Joined()
    waiting = _Waiting(parts)
    fetched = 0
    for part in waiting.following(made):
        fetched += part.length
        if fetched > most:
            made.faults.append(
                f"its parts say more than {most} bytes together: those from byte {part.offset} "
                "on are left out"
            )
            break
        try:
            made.take(part, document(part.digest))
        except VerificationError as error:
            made.faults.append(f"lines from byte {part.offset} on: {error}")
    else:
        made.faults += (f"lines before byte {part.offset} are missing" for part in waiting.rest())
    return _sound(made)


class _Waiting:
    """Parts that were not taken yet.

    Args:
        parts: in the order in which they were told of.
    """

    def __init__(self, parts: Sequence[LedgerPart]) -> None:
        self._parts = tuple(dict.fromkeys(parts))
        self._far = sorted((part.offset, place) for place, part in enumerate(self._parts))[::-1]
        self._near: list[int] = []

    def following(self, made: _Joined) -> Iterator[LedgerPart]:
        """Yield the first that was told of those that begin in the lines that there are."""
        while True:
            while self._far and self._far[-1][0] <= len(made.lines):
                heapq.heappush(self._near, self._far.pop()[1])
            if not self._near:
                return
            yield self._parts[heapq.heappop(self._near)]

    def rest(self) -> list[LedgerPart]:
        """Return those that begin behind all lines, in the order in which they were told of."""
        return [self._parts[place] for place in sorted(place for _, place in self._far)]


def _sound(made: _Joined) -> KeptLedger:
    """Return the ledger without the last parts that break its chain.

    They are behind all that do not: so the place is searched by halves, for each try reads all.
    """
    kept = KeptLedger(b"", frozenset(), frozenset(), _shortened(made.faults))
    good, bad = 0, len(made.ends)
    at = bad - 1  # all of it, which is sound as a rule
    while at > good:
        lines = bytes(made.lines[: made.ends[at]])
        found = ledger.parse(lines)
        if found.open_faults or found.torn:
            bad = at
        else:
            good = at
            sealed = frozenset(event.brief.name for event in found.sealed)
            kept = kept._replace(
                lines=lines, expected=sealed - found.thinned, given_up=found.thinned
            )
        at = (good + bad) // 2
    if bad < len(made.ends):
        broken = f"lines from byte {made.ends[good]} to {made.ends[-1]} break its chain"
        kept = kept._replace(faults=(*kept.faults, broken))
    return kept


def _shortened(faults: Sequence[str]) -> tuple[str, ...]:
    """Return the first faults, and how many there are besides."""
    if len(faults) <= _NAMED:
        return tuple(faults)
    return (*faults[:_NAMED], f"and {len(faults) - _NAMED} more of these")
