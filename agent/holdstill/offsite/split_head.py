"""What is more than one head may tell goes into several."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

import msgspec

from holdstill.errors import SecurityError
from holdstill.offsite import head_limits
from holdstill.offsite.head import SealedPart

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

_Told = TypeVar("_Told")
_RUN_BYTES = 4 << 20
"""Of each kind, what goes into one head where there is more."""
_RUN = 50_000


def is_within(sealed: SealedPart) -> bool:
    """Return whether readers take a head with this sealed part."""
    try:
        head_limits.check(msgspec.msgpack.encode(sealed))
    except (SecurityError, msgspec.MsgspecError):
        return False
    return True


def split(sealed: SealedPart) -> Iterator[SealedPart]:
    """Yield parts that each fit into a head, in the order in which they are to be told.

    Packs come first: no capture is told of before what it needs.
    """
    if is_within(sealed):
        yield sealed
        return
    yield from (SealedPart(packs=run) for run in _runs(sealed.packs))
    yield from (SealedPart(captures=run) for run in _runs(sealed.captures))
    yield from (SealedPart(ledgers=run) for run in _runs(sealed.ledgers))
    yield from (SealedPart(released=run) for run in _runs(sealed.released))
    yield from (SealedPart(away=run) for run in _runs(sealed.away))


def _runs(every: Sequence[_Told]) -> Iterator[tuple[_Told, ...]]:
    held: list[_Told] = []
    total = 0
    for one in every:
        size = len(msgspec.msgpack.encode(one))
        if held and (total + size > _RUN_BYTES or len(held) == _RUN):
            yield tuple(held)
            held, total = [], 0
        held.append(one)
        total += size
    if held:
        yield tuple(held)
