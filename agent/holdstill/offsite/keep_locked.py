"""What is needed off-site stays locked; what no capture needs any more is let go when it may be.

A pack that is mostly dead when its lock is to be lengthened is not locked again: what is alive of
it is packed anew, from the keeper's own contents, and the pack ends with its lock. A pack is
deleted after a head has told that it is let go, and where its contents are now: cut off anywhere,
whatever heads tell is there.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdstill.errors import LinkError
from holdstill.offsite import keeper_heads
from holdstill.offsite.bucket import MissingObjectError
from holdstill.system import clocks

if TYPE_CHECKING:
    from holdstill.offsite.bucket import Bucket
    from holdstill.offsite.locks import Locks
    from holdstill.offsite.sent import LetGo, Sent, SentHead, SentPack

MOSTLY_DEAD = 0.3
"""Share of a pack's bytes that has to be needed, for the pack to be locked again as it is."""
_AGAIN = timedelta(days=1)
"""After which the server is asked again to delete what it did not."""


class Needed(Protocol):
    """Knows which contents any capture needs."""

    def __call__(self, low: bytes, high: bytes) -> frozenset[bytes]:
        """Return the digests from one up to another, not including it, that are needed."""


class PackAgain(NamedTuple):
    """A pack of which contents are to be sent again.

    Attributes:
        pack: which.
        digests: of what is needed of it.
        is_lost: whether it is not there as it was sent; else it is mostly dead.
    """

    pack: SentPack
    digests: tuple[bytes, ...]
    is_lost: bool


@dataclass(frozen=True)
class KeptLocked:
    """What became of packs.

    Attributes:
        extended: locks that were lengthened, of packs and heads.
        again: packs of which contents are to be sent again.
        missing_heads: numbers of heads that are not there any more.
    """

    extended: int
    again: tuple[PackAgain, ...]
    missing_heads: tuple[int, ...]


def keep(
    bucket: Bucket, sent: Sent, locks: Locks, needed: Needed, *, keeper: str, is_sure: bool
) -> KeptLocked:
    """Lengthen the locks of all that is needed, and let go what is not.

    Args:
        bucket: where.
        sent: what was put there.
        locks: the dates.
        needed: which contents any capture needs.
        keeper: whose heads.
        is_sure: whether that is all; if not, every pack is taken for needed.

    What is gone keeps no lock behind it from being lengthened.

    Raises:
        LinkError: a lock could not be lengthened.
    """
    alive, away, lost = _live_bytes(sent, needed), sent.away_packs(), sent.lost()
    extended, missing_heads = _extend_heads(bucket, sent, locks, keeper)
    again: list[PackAgain] = []
    for pack in sent.packs():
        live, is_lost = alive.get(pack.id, 0), pack.name in lost
        may_go = is_sure and pack.name not in away
        if may_go and not live:
            if is_lost or locks.is_over(pack.until):
                sent.note_gone(pack.name)
            continue
        is_mostly_dead = may_go and live < MOSTLY_DEAD * pack.size and locks.is_time(pack.until)
        if not (is_lost or is_mostly_dead) and locks.is_due(pack.until):
            try:
                extend(bucket, sent, locks, pack)
                extended += 1
            except MissingObjectError:
                sent.note_lost([pack.name])
                is_lost = True
        if is_lost or is_mostly_dead:
            again.append(PackAgain(pack, _needed_of(sent, pack, needed), is_lost))
    return KeptLocked(extended, tuple(again), missing_heads)


def hold_away(bucket: Bucket, sent: Sent, locks: Locks, keeper: str) -> int:
    """Lengthen the locks of what captures need that have left, and nothing else's.

    Raises:
        MissingObjectError: not all of it is there; of what is, all locks are lengthened.
        LinkError: a lock could not be lengthened.
    """
    extended, missing_heads = _extend_heads(bucket, sent, locks, keeper)
    lost = [keeper_heads.key_of(keeper, number) for number in missing_heads]
    away = sent.away_packs()
    for pack in (one for one in sent.packs() if one.name in away and locks.is_due(one.until)):
        try:
            extend(bucket, sent, locks, pack)
            extended += 1
        except MissingObjectError:
            lost.append(keeper_heads.pack_key(pack.name))
    if lost:
        raise MissingObjectError(
            f"{bucket.address}: {', '.join(lost)} is not there",
            hint="`holdstill offsite verify ADDRESS` says what is missing of that copy",
        )
    return extended


def extend(bucket: Bucket, sent: Sent, locks: Locks, pack: SentPack) -> None:
    """Lock a pack as long as a new one."""
    if locks.until is not None:
        bucket.extend(keeper_heads.pack_key(pack.name), pack.version, locks.until)
        sent.note_lock("pack", pack.name, locks.until_text)


def _extend_heads(
    bucket: Bucket, sent: Sent, locks: Locks, keeper: str
) -> tuple[int, tuple[int, ...]]:  # fmt: skip
    """Lengthen locks; return how many, and which heads are not there."""
    extended, missing = 0, []
    for one in sent.heads():
        key = keeper_heads.key_of(keeper, one.number)
        if one.merged_by:
            _let_go(bucket, sent, locks, key, one)
        elif locks.until is not None and locks.is_due(one.until):
            try:
                bucket.extend(key, one.version, locks.until)
            except MissingObjectError:
                missing.append(one.number)
                continue
            sent.note_lock("head", one.number, locks.until_text)
            extended += 1
    return extended, tuple(missing)


def _let_go(bucket: Bucket, sent: Sent, locks: Locks, key: str, one: SentHead) -> None:
    """Delete a head that was merged, when its lock has ended."""
    if locks.until is not None and not one.until:  # taken from the bucket: nobody has asked yet
        until = bucket.locked(key, one.version).until
        if until is not None:
            sent.note_lock("head", one.number, clocks.rfc3339(until))
            return
    if locks.is_over(one.until):
        with suppress(LinkError):  # the server holds it still
            bucket.delete(key, one.version)
            sent.forget_head(one.number)


def _live_bytes(sent: Sent, needed: Needed) -> dict[int, int]:
    """Return how many bytes of each pack are needed, by its id; 0 is left out."""
    found: dict[int, int] = {}
    documents = sent.documents()
    for first in range(256):
        low, high = bytes([first]), bytes([first]) + b"\xff" * 32
        wanted = needed(low, high)
        for digest, pack, length in sent.located(low, high):
            if digest in wanted or digest in documents:
                found[pack] = found.get(pack, 0) + length
    return found


def _needed_of(sent: Sent, pack: SentPack, needed: Needed) -> tuple[bytes, ...]:
    documents = sent.documents()
    return tuple(
        digest
        for digest in sent.contents(pack.id)
        if digest in documents or needed(digest, digest + b"\0")
    )


def delete_told(bucket: Bucket, sent: Sent, locks: Locks) -> int:
    """Delete what the heads have told is let go; return how many packs that were.

    Raises:
        LinkError: the server cannot be asked.
    """
    due = [pack for pack in sent.let_go() if locks.is_over(pack.until)]
    return sum(_is_deleted(bucket, sent, locks, pack) for pack in due)


def _is_deleted(bucket: Bucket, sent: Sent, locks: Locks, pack: LetGo) -> bool:
    """Delete a pack; False while the server holds it, for another keeper's lock say."""
    key = keeper_heads.pack_key(pack.name)
    try:
        bucket.delete(key, pack.version)
    except MissingObjectError:
        pass
    except LinkError:
        until = bucket.locked(key, pack.version).until
        later = locks.now + _AGAIN
        sent.note_held(pack.name, clocks.rfc3339(max(until or later, later)))
        return False
    sent.note_deleted(pack.name)
    return True
