"""How much one head tells at most; who puts heads splits what is more (`split_head`).

Whoever has a keeper's keys can put a head of some kilobytes that unpacks to gigabytes, or to
millions of small things. So lengths are looked at before anything is made of what is in it.
"""

from __future__ import annotations

from typing import Annotated

import msgspec

from holdstill.errors import SecurityError
from holdstill.model.layout import Record

BYTES = 32 << 20
"""Of a head, and of its sealed part unpacked: rows of 700,000 contents."""
OPEN_BYTES = 4 << 20
"""Of the open part: 40,000 packs."""
_TOLD_BYTES = 16 << 20
"""Of captures, which may take twenty times as much when they are read: some 20,000 of them."""
_MANY = msgspec.Meta(max_length=100_000)


class _Lengths(Record, frozen=True, kw_only=True):
    """A sealed part of which captures are not made anything of."""

    packs: Annotated[tuple[msgspec.Raw, ...], _MANY] = ()
    captures: Annotated[tuple[msgspec.Raw, ...], _MANY] = ()
    ledgers: Annotated[tuple[msgspec.Raw, ...], _MANY] = ()
    released: Annotated[tuple[msgspec.Raw, ...], _MANY] = ()
    away: Annotated[tuple[msgspec.Raw, ...], _MANY] = ()


def check(packed: bytes) -> None:
    """Check that a sealed part, in MessagePack, tells no more than heads do.

    Raises:
        SecurityError: it tells more.
        msgspec.MsgspecError: it is none.
    """
    found = msgspec.msgpack.decode(packed, type=_Lengths)
    told = sum(memoryview(one).nbytes for one in (*found.captures, *found.away))
    if len(packed) > BYTES or told > _TOLD_BYTES:
        raise SecurityError("it tells of more than heads do")
