"""Checks an off-site copy without the recovery key: what is missing there, what was altered.

Heads tell anybody which packs there must be, and each has the digest of the one before; a pack's
name is the digest of its bytes. So all can be checked but one thing: whether the newest head
is the newest that there ever was. The keeper remembers that.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdstill.errors import LinkError, SecurityError
from holdstill.model.layout import Record
from holdstill.offsite import keeper_heads
from holdstill.offsite.bucket import FailingObjectError, MissingObjectError, RefusedError
from holdstill.offsite.head import OtherKeyError
from holdstill.offsite.keeper_heads import UnreadHeadError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from datetime import datetime

    from holdstill.offsite.bucket import Bucket, Version
    from holdstill.offsite.head import OpenPart
    from holdstill.offsite.keeper_heads import FoundHead
    from holdstill.offsite.sent import SentHead


class Progress(Protocol):
    """Shows a person what is done."""

    def step(self, what: str) -> None:
        """Begin a step of the work."""

    def update(self, done: int, total: int) -> None:
        """Update the step's progress, in bytes."""


class OffsiteCheck(Record, frozen=True, kw_only=True):
    """What was found.

    Attributes:
        heads, packs: that there are.
        read: packs whose bytes were read; read_bytes: how many these are.
        missing: packs and heads that are gone.
        altered: what has other bytes than it was given.
        unlocked: packs that were read, and heads, that are not locked, or only until a date that
            is over.
        odd: what does no harm, such as versions that somebody put over a pack.
        lost_packs: names of the packs among missing and altered.
        unread: those among altered at which the server fails (5xx): they may well be good.
        unsaid: what was read, and of which the server does not say whether it is locked.
        unlocked_packs, unlocked_heads: names, and numbers of the keeper's own, among unlocked.
    """

    heads: int
    packs: int
    read: int
    read_bytes: int
    missing: tuple[str, ...]
    altered: tuple[str, ...]
    unlocked: tuple[str, ...]
    odd: tuple[str, ...]
    lost_packs: tuple[str, ...] = ()
    unlocked_packs: tuple[str, ...] = ()
    unlocked_heads: tuple[int, ...] = ()
    unread: tuple[str, ...] = ()
    unsaid: tuple[str, ...] = ()


class Own(NamedTuple):
    """What the keeper knows.

    Attributes:
        keeper: its name.
        key: of its heads.
        last: the newest head that it had put before the check began.
        put: returns the digests of all heads that it has put by now, or may have put; None where
            its notes are lost.
    """

    keeper: str
    key: bytes
    last: SentHead
    put: Callable[[], frozenset[str]] | None


class _Findings:
    """What is found on the way."""

    def __init__(self) -> None:
        self.missing: list[str] = []
        self.altered: list[str] = []
        self.unlocked: list[str] = []
        self.odd: list[str] = []
        self.lost_packs: list[str] = []
        self.unlocked_packs: list[str] = []
        self.unlocked_heads: list[int] = []
        self.unread: list[str] = []
        self.unread_heads: list[str] = []
        self.unsaid: list[str] = []
        self.sizes: dict[str, int] = {}
        self.heads = self.read = self.read_bytes = 0


def check(
    bucket: Bucket, progress: Progress, *, own: Own | None, parts: int, turn: int,
    is_locked: bool = True,
) -> OffsiteCheck:  # fmt: skip
    """Check heads, and the packs whose turn it is.

    Args:
        bucket: where the copy is.
        progress: is told of.
        own: what the keeper knows; None on another machine.
        parts: into how many parts the packs are divided.
        turn: which of them is read; every pack has its turn once in so many.
        is_locked: whether packs and heads are to be locked.

    Raises:
        LinkError: the bucket cannot be read.
    """
    found = _Findings()
    _check_heads(bucket, own, found, is_locked=is_locked)
    if found.unread_heads and not found.heads:
        raise LinkError(
            f"{bucket.address}: no head there can be read: {found.unread_heads[0]}",
            hint="may this access key read objects (GetObject, GetObjectVersion)?",
        )
    there = _packs_there(bucket)
    _compare(found, there)
    told = sorted(found.sizes.keys() & there.keys())
    chosen = [name for name in told if int(name[:8], 16) % parts == turn % parts]
    total = sum(found.sizes[name] for name in chosen)
    progress.step(f"reading {len(chosen)} of {len(there)} packs")
    for name in chosen:
        good = _check_pack(bucket, name, there[name], found)
        if is_locked and good:
            _check_lock(bucket, name, good, found)
        progress.update(found.read_bytes, total)
    return OffsiteCheck(
        heads=found.heads, packs=len(found.sizes), read=found.read, read_bytes=found.read_bytes,
        missing=tuple(found.missing), altered=tuple(found.altered),
        unlocked=tuple(found.unlocked), odd=tuple(found.odd),
        lost_packs=tuple(dict.fromkeys(found.lost_packs)),
        unlocked_packs=tuple(found.unlocked_packs), unlocked_heads=tuple(found.unlocked_heads),
        unread=tuple(found.unread), unsaid=tuple(found.unsaid),
    )  # fmt: skip


def _check_heads(
    bucket: Bucket, own: Own | None, found: _Findings, *, is_locked: bool
) -> None:  # fmt: skip
    every: dict[str, list[FoundHead]] = {own.keeper: []} if own else {}
    for which in keeper_heads.found(bucket):
        every.setdefault(which.keeper, []).append(which)
    strangers: dict[str, list[str]] = {}
    for keeper in sorted(every):
        versions = every[keeper]
        mine = own if own is not None and own.keeper == keeper else None
        heads, key = found.heads, own.key if own else None
        sealed: list[str] = []
        counted = _check_chain(bucket, keeper, versions, key, mine, found, sealed)
        if mine is None and found.heads == heads and sealed:
            strangers[keeper] = sealed
        else:
            found.altered += sealed
        if is_locked and (mine is not None or own is None):
            # Without the key of heads anybody's could be there, of a keeper that never was.
            _check_head_locks(bucket, counted, found)
    found.odd += keeper_heads.of_strangers(strangers)


def _check_chain(
    bucket: Bucket, keeper: str, versions: list[FoundHead], key: bytes | None, own: Own | None,
    found: _Findings, sealed: list[str],
) -> list[FoundHead]:  # fmt: skip
    """Check that each head of a keeper follows the one before, and note what they tell.

    Args:
        bucket: where.
        keeper: whose.
        versions: of its heads.
        key: of heads, where it is known: what was not made with it tells nothing.
        own: what the keeper knows, if it is this one.
        found: what is found.
        sealed: is added to, for each that was sealed with another key.

    Returns the heads that readers need: those that no later one tells again.
    """
    number, digest = 0, ""
    sizes: dict[str, int] = {}
    missing: list[range] = []
    merged: list[range] = []
    counted: list[FoundHead] = []
    is_strange = _strangers(own)
    unread: list[int] = []
    for which, got, told in _good_heads(bucket, versions, key, found, sealed, unread):
        if told.number == number:
            if got != digest:
                found.odd.append(f"head {number} of keeper {keeper}: somebody put another over it")
            continue
        if is_strange(got):
            # Nothing that it tells is relied on.
            found.altered.append(
                f"head {told.number} of keeper {keeper}: this keeper has not put it; somebody "
                "writes there in its name"
            )
            continue
        lost = range(number + 1, told.number)
        missing.append(lost)
        merged += keeper_heads.merged((told,))
        if not lost and told.previous != digest:
            found.altered.append(
                f"head {number} of keeper {keeper}: the next one tells of another"
            )
        number, digest = told.number, got
        found.heads += 1
        counted.append(which)
        sizes |= {pack.name: pack.size for pack in told.came}
        for name in told.went:
            sizes.pop(name, None)
    found.sizes |= sizes  # what one keeper has let go, another may need
    if own is not None and own.last.number > number:
        missing.append(range(number + 1, own.last.number + 1))
    elif own is not None and own.last.number == number and own.last.digest != digest:
        found.altered.append(f"head {number} of keeper {keeper}: it is not the one that was sent")
    # What cannot be read is told as that, and may well be there.
    gone = keeper_heads.lacking(missing, [*merged, *(range(n, n + 1) for n in unread)])
    found.missing += (
        f"{name} of keeper {keeper}" for one in gone for name in keeper_heads.in_words(one)
    )
    return [one for one in counted if not any(one.number in numbers for numbers in merged)]


def _strangers(own: Own | None) -> Callable[[str], bool]:
    """Return what says, by its digest, whether the keeper has not put a head."""
    if own is None or own.put is None:
        return lambda _: False
    put = own.put()
    return lambda digest: digest not in put


def _good_heads(
    bucket: Bucket,
    versions: list[FoundHead],
    key: bytes | None,
    found: _Findings,
    sealed: list[str],
    unread: list[int],
) -> Iterator[tuple[FoundHead, str, OpenPart]]:
    """Yield the heads that can be read, in their order, with digest and open part."""
    for which in versions:
        try:
            if key is not None:
                told, digest = keeper_heads.read_sealed(bucket, which, key)
            else:
                told, digest = keeper_heads.read_open(bucket, which)
            yield which, digest, told
        except (SecurityError, MissingObjectError, RefusedError) as error:
            if isinstance(error, UnreadHeadError | RefusedError):
                found.unread_heads.append(str(error))
                unread.append(which.number)
            if isinstance(error.__cause__, OtherKeyError):
                sealed.append(str(error))
                continue
            text = f"head {which.number} of keeper {which.keeper}: {error}"
            found.altered.append(text)
            if FailingObjectError in {type(error), type(error.__cause__)}:
                found.unread.append(text)


def _packs_there(bucket: Bucket) -> dict[str, list[Version]]:
    there: dict[str, list[Version]] = {}
    for version in bucket.versions("packs/"):
        there.setdefault(version.key.removeprefix("packs/"), []).append(version)
    return there


def _compare(found: _Findings, there: dict[str, list[Version]]) -> None:
    for name, size in sorted(found.sizes.items()):
        if name not in there:
            found.missing.append(f"pack {name}")
            found.lost_packs.append(name)
        elif not any(version.size == size for version in there[name]):
            found.altered.append(f"pack {name}: it has not the {size} bytes that were sent")
            found.lost_packs.append(name)
    unknown = sorted(name for name in there if name not in found.sizes)
    if unknown:
        found.odd.append(
            f"{len(unknown)} packs that no head tells of, as {unknown[0]}: of a run that broke "
            "off or goes on, let go, or by somebody else"
        )


def _check_pack(
    bucket: Bucket, name: str, versions: list[Version], found: _Findings
) -> list[Version]:
    """Read all versions of a pack; return those that are what was sent."""
    unread: list[RefusedError] = []
    digests = [_digest(bucket, version, unread) for version in versions]
    if not any(digests) and not unread:  # since it was listed
        found.missing.append(f"pack {name}")
        found.lost_packs.append(name)
        return []
    found.read += 1
    found.read_bytes += versions[0].size
    if name not in digests:
        is_failing = any(isinstance(error, FailingObjectError) for error in unread)
        if is_failing or not any(digests):
            # No loss that is sure: what was put into an archive comes back from there, and what
            # the server fails at may be read again. That no thief can order: what he has put
            # over a pack so that nobody reads it hides nothing.
            text = f"pack {name}: it cannot be read: {unread[0]}"
            found.altered.append(text)
            if is_failing:
                found.unread.append(text)
            return []
        known = f"pack {name}: it has not the {found.sizes[name]} bytes that were sent"
        if known not in found.altered:
            found.altered.append(f"pack {name}: its bytes are not those that were sent")
            found.lost_packs.append(name)
    elif len(set(digests)) > 1:
        found.odd.append(f"pack {name}: somebody put something over it; what was sent is there")
    return [one for one, got in zip(versions, digests, strict=True) if got == name]


def _digest(bucket: Bucket, version: Version, unread: list[RefusedError]) -> str:
    """Return the digest of a version; "" of one that is gone, or not read: then why is added."""
    total = hashlib.sha256()
    try:
        for chunk in bucket.chunks(version):
            total.update(chunk)
    except MissingObjectError:
        return ""
    except RefusedError as error:
        unread.append(error)
        return ""
    return total.hexdigest()


def _check_lock(bucket: Bucket, name: str, good: list[Version], found: _Findings) -> None:
    """Check that what was sent is locked; a lock on what somebody put over it keeps nothing."""
    ends: list[datetime | None] = []
    unsaid: list[RefusedError] = []
    for one in good:
        try:
            ends.append(bucket.locked(one.key, one.id).until)
        except MissingObjectError:
            continue  # gone since it was read: the next run says so
        except RefusedError as error:
            unsaid.append(error)
    if any(_is_locked(bucket, end) for end in ends):
        return
    if unsaid:
        found.unsaid.append(f"pack {name}: {unsaid[0]}")
    elif ends:
        found.unlocked.append(f"pack {name}: {_told(ends)}")
        found.unlocked_packs.append(name)


def _check_head_locks(bucket: Bucket, heads: Iterable[FoundHead], found: _Findings) -> None:
    for which in heads:
        name = f"head {which.number} of keeper {which.keeper}"
        try:
            end = bucket.locked(which.version.key, which.version.id).until
        except MissingObjectError:
            continue  # gone since it was read: the next run says so
        except RefusedError as error:
            found.unsaid.append(f"{name}: {error}")
            continue
        if not _is_locked(bucket, end):
            found.unlocked.append(f"{name}: {_told([end])}")
            found.unlocked_heads.append(which.number)


def _is_locked(bucket: Bucket, end: datetime | None) -> bool:
    return end is not None and end > bucket.now()


def _told(ends: list[datetime | None]) -> str:
    last = max((end for end in ends if end is not None), default=None)
    return f"its lock ended {last:%Y-%m-%d}" if last else "it is not locked"
