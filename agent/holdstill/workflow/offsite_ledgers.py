"""The ledgers of a board as an off-site copy tells them: each keeper's own, only appended to.

Ledgers are chained and not signed, so that who has once had a keeper's keys can tell of other
lines. What was told first stays: a part that says something else in its place is a fault, and what
one keeper's ledger gives up are captures of that keeper.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import VerificationError
from holdstill.keeper import ledger

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from holdstill.offsite.head import LedgerPart


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

    lines: bytes = b""
    ends: list[int] = field(default_factory=lambda: [0])
    faults: list[str] = field(default_factory=list)

    def take(self, part: LedgerPart, data: bytes) -> None:
        """Add a part that begins in the lines that there are, or right behind them."""
        known = self.lines[part.offset :]
        length = min(len(known), len(data))
        if len(data) != part.length or known[:length] != data[:length]:
            self.faults.append(f"lines from byte {part.offset} on are told otherwise later")
        elif len(data) > len(known):
            self.lines = self.lines[: part.offset] + data
            self.ends.append(len(self.lines))


def joined(parts: Sequence[LedgerPart], document: Callable[[bytes], bytes]) -> KeptLedger:
    """Put a ledger together from its parts, in the order in which they were told of.

    Args:
        parts: of one keeper and board; some may be there more than once.
        document: fetches a content by its digest.

    Raises:
        LinkError: the bucket cannot be read.
    """
    made = _Joined()
    waiting = list(dict.fromkeys(parts))
    while next_one := next((one for one in waiting if one.offset <= len(made.lines)), None):
        waiting.remove(next_one)
        try:
            made.take(next_one, document(next_one.digest))
        except VerificationError as error:
            made.faults.append(f"lines from byte {next_one.offset} on: {error}")
    made.faults += (f"lines before byte {part.offset} are missing" for part in waiting)
    return _sound(made)


def _sound(made: _Joined) -> KeptLedger:
    """Return the ledger without the last parts that break its chain."""
    faults = list(made.faults)
    for end in reversed(made.ends):
        found = ledger.parse(made.lines[:end])
        if not found.open_faults and not found.torn:
            sealed = frozenset(event.brief.name for event in found.sealed)
            return KeptLedger(
                made.lines[:end], sealed - found.thinned, found.thinned, tuple(faults)
            )
        faults.append(f"lines up to byte {end} break its chain")
    return KeptLedger(b"", frozenset(), frozenset(), tuple(faults))
