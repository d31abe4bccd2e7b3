"""What is needed off-site stays locked; what no capture needs any more is let go when it may be.

A pack that is mostly dead when its lock is to be lengthened is not locked again: what is alive of
it is packed anew, from the keeper's own contents, and the pack ends with its lock. A pack is
deleted after a head has told that it is let go, and where its contents are now: cut off anywhere,
whatever heads tell is there.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdstill.errors import LinkError
from holdstill.model.sizes import counted
from holdstill.offsite import keeper_heads
from holdstill.offsite.bucket import FailingObjectError, MissingObjectError, RefusedError
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
        refused: what the server does not lock any longer, each with its words.
    """

    extended: int
    again: tuple[PackAgain, ...]
    missing_heads: tuple[int, ...]
    refused: tuple[RefusedError, ...]


@dataclass
class _Locking:
    """Locks that are being lengthened; what one fails at keeps no other from it.

    Attributes:
        extended: how many were.
        missing_heads, refused: as in `KeptLocked`.
    """

    bucket: Bucket
    sent: Sent
    locks: Locks
    extended: int = 0
    missing_heads: list[int] = field(default_factory=list)
    refused: list[RefusedError] = field(default_factory=list)

    def pack(self, pack: SentPack) -> None:
        """Lengthen the lock of a pack.

        Raises:
            MissingObjectError: it is not there.
        """
        try:
            extend(self.sent, self.locks, pack)
            self.extended += 1
        except RefusedError as error:
            self.refused.append(error)

    def heads(self, keeper: str) -> None:
        """Lengthen the locks of a keeper's heads that are due, and let go those that may be."""
        for one in self.sent.heads():
            key = keeper_heads.key_of(keeper, one.number)
            if one.merged_by:
                _let_go(self.bucket, self.sent, self.locks, key, one)
            elif self.locks.is_due(one.until):
                self._head(key, one)

    def _head(self, key: str, one: SentHead) -> None:
        try:
            until = self.locks.lengthen(key, one.version)
        except MissingObjectError:
            self.missing_heads.append(one.number)
        except RefusedError as error:
            self.refused.append(error)
        else:
            self.sent.note_lock("head", one.number, until)
            self.extended += 1


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

    What is gone, or refused, keeps no lock behind it from being lengthened.

    Raises:
        LinkError: the server cannot be asked.
    """
    alive, away, lost = _live_bytes(sent, needed), sent.away_packs(), sent.lost()
    locking = _Locking(bucket, sent, locks)
    locking.heads(keeper)
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
                locking.pack(pack)
            except MissingObjectError:
                sent.note_lost([pack.name])
                is_lost = True
        if is_lost or is_mostly_dead:
            again.append(PackAgain(pack, _needed_of(sent, pack, needed), is_lost))
    return KeptLocked(
        locking.extended, tuple(again), tuple(locking.missing_heads), tuple(locking.refused)
    )


def hold_away(bucket: Bucket, sent: Sent, locks: Locks, keeper: str) -> int:
    """Lengthen the locks of what captures need that have left, and nothing else's.

    Raises:
        MissingObjectError: not all of it is there; of what is, all locks are lengthened.
        RefusedError: nor can all be lengthened.
        LinkError: the server cannot be asked.
    """
    locking = _Locking(bucket, sent, locks)
    locking.heads(keeper)
    lost = [keeper_heads.key_of(keeper, number) for number in locking.missing_heads]
    away = sent.away_packs()
    for pack in (one for one in sent.packs() if one.name in away and locks.is_due(one.until)):
        try:
            locking.pack(pack)
        except MissingObjectError:
            lost.append(keeper_heads.pack_key(pack.name))
    if lost:
        raise MissingObjectError(
            f"{bucket.address}: {', '.join(lost)} is not there",
            hint="`holdstill offsite verify ADDRESS` says what is missing of that copy",
        )
    if locking.refused:
        raise locking.refused[0]
    return locking.extended


def extend(sent: Sent, locks: Locks, pack: SentPack) -> None:
    """Lock a pack as long as a new one, or let it be locked for longer.

    Raises:
        MissingObjectError: it is not there; RefusedError: the server does not do that.
    """
    if locks.until is not None:
        until = locks.lengthen(keeper_heads.pack_key(pack.name), pack.version)
        sent.note_lock("pack", pack.name, until)


def _let_go(bucket: Bucket, sent: Sent, locks: Locks, key: str, one: SentHead) -> None:
    """Delete a head that was merged, when its lock has ended."""
    if locks.until is not None and not one.until:  # taken from the bucket: nobody has asked yet
        try:
            until = bucket.locked(key, one.version).until
        except MissingObjectError:
            sent.forget_head(one.number)
            return
        except RefusedError:
            return  # asked again by the next run
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


class Deleted(NamedTuple):
    """What became of packs that are let go.

    Attributes:
        packs: how many are deleted.
        warning: of those that should be, and that the server does not delete; "" for none.
    """

    packs: int
    warning: str


def delete_told(bucket: Bucket, sent: Sent, locks: Locks) -> Deleted:
    """Delete what the heads have told is let go.

    Raises:
        LinkError: the server cannot be asked.
    """
    due = [pack for pack in sent.let_go() if locks.is_over(pack.until)]
    deleted, held = 0, list[str]()
    for pack in due:
        try:
            deleted += _is_deleted(bucket, sent, locks, pack)
        except RefusedError as error:
            held.append(str(error))
    if not held:
        return Deleted(deleted, "")
    return Deleted(
        deleted,
        f"{counted(len(held), 'pack')} that no capture needs any more "
        f"{'is' if len(held) == 1 else 'are'} not deleted, and "
        f"{'costs' if len(held) == 1 else 'cost'} what storage costs: {held[0]}. A later upload "
        "tries again; if this is said for days, see whether the access key may delete "
        "(s3:DeleteObject and s3:DeleteObjectVersion)",
    )


def _is_deleted(bucket: Bucket, sent: Sent, locks: Locks, pack: LetGo) -> bool:
    """Delete a pack; False while somebody's lock holds it.

    Raises:
        RefusedError: nothing holds it, and the server does not delete it all the same.
        LinkError: the server cannot be asked.
    """
    key = keeper_heads.pack_key(pack.name)
    try:
        bucket.delete(key, pack.version)
    except MissingObjectError:
        pass
    except FailingObjectError:
        raise  # that says nothing of locks; the next run tries again
    except LinkError as error:
        until, later = None, locks.now + _AGAIN
        with suppress(RefusedError):
            until = bucket.locked(key, pack.version).until
        sent.note_held(pack.name, clocks.rfc3339(max(until or later, later)))
        if until is None:
            raise RefusedError(str(error), hint=error.hint) from error
        return False
    sent.note_deleted(pack.name)
    return True
