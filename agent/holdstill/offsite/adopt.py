"""Takes over what other keepers of an owner have put there: a board has moved, say.

A pack of another keeper counts as ours once its lock is lengthened as that of our own would be:
from then on the object store itself keeps the other from letting it go. So this needs no leases,
and cannot be done without locks.

Its bytes are read once, for its name is their digest. What is in it the other keeper says, and
nobody can look who has not the recovery key: so it stands in for nothing that we have there
ourselves, and no capture leaves this keeper that needs it.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.offsite import keeper_heads, pack_format
from holdstill.offsite.bucket import MissingObjectError, RefusedError
from holdstill.offsite.pack_writer import Pack

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.offsite.bucket import Bucket, Version
    from holdstill.offsite.head import PackObject, PackRows
    from holdstill.offsite.locks import Locks
    from holdstill.offsite.sent import Sent

SHARE = 0.3
"""Of a pack's bytes, what has to be needed here for the pack to be taken over."""


class Offered:
    """Packs of other keepers, and where in them contents are.

    Args:
        packs: as their heads tell.
    """

    def __init__(self, packs: Iterator[tuple[PackObject, PackRows]]) -> None:
        self._packs: dict[str, tuple[PackObject, PackRows]] = {}
        self._where: dict[bytes, str] = {}
        for told, rows in packs:
            self._packs[told.name] = (told, rows)
            for row in pack_format.rows_of(rows.rows):
                self._where[row.digest] = told.name

    def wanted(self, needed: Iterator[bytes]) -> list[tuple[PackObject, PackRows]]:
        """Return the packs of which enough is needed."""
        live: dict[str, set[bytes]] = {}
        for digest in needed:
            if digest in self._where:
                live.setdefault(self._where[digest], set()).add(digest)
        return [
            self._packs[name]
            for name, digests in live.items()
            if _bytes(self._packs[name][1], digests) >= SHARE * self._packs[name][0].size
        ]


def _bytes(rows: PackRows, digests: set[bytes]) -> int:
    return sum(r.length for r in pack_format.rows_of(rows.rows) if r.digest in digests)


def offered(bucket: Bucket, *, keeper: str, key: bytes, sent: Sent) -> Offered:
    """Read what the other keepers there tell of, as far as it is there and not ours.

    Raises:
        LinkError: the bucket cannot be read.
    """
    ours = {pack.name for pack in sent.packs()}
    return Offered(pair for pair in _told(bucket, keeper, key) if pair[0].name not in ours)


def _told(bucket: Bucket, keeper: str, key: bytes) -> Iterator[tuple[PackObject, PackRows]]:
    for which in keeper_heads.found(bucket):
        if which.keeper == keeper:
            continue
        try:
            got = keeper_heads.read(bucket, which, key)
        except SecurityError:
            continue  # of another owner, or of nobody's
        sizes = {pack.name: pack for pack in got.open.came}
        yield from ((sizes[one.name], one) for one in got.sealed.packs if one.name in sizes)


def take_over(bucket: Bucket, sent: Sent, locks: Locks, told: PackObject, rows: PackRows) -> bool:
    """Take a pack over; False if it is not there as it was told.

    Raises:
        LinkError: the bucket cannot be reached.
    """
    if locks.until is None:
        return False
    key = keeper_heads.pack_key(told.name)
    for version in bucket.versions(key):
        if version.key == key and version.size == told.size and _is_whole(bucket, version, told):
            if not _is_locked(locks, version):
                continue
            pack = Pack(told.name, told.size, "", rows.sealed_key, rows.rows)
            sent.note_pack(pack, version=version.id, until=locks.until_text, is_foreign=True)
            return True
    return False


def _is_whole(bucket: Bucket, version: Version, told: PackObject) -> bool:
    """Whether the bytes of a version are those that its name says."""
    total = hashlib.sha256()
    try:
        for chunk in bucket.chunks(version):
            total.update(chunk)
    except (MissingObjectError, RefusedError):
        return False
    return total.hexdigest() == told.name


def _is_locked(locks: Locks, version: Version) -> bool:
    """Lock a version as long as a new pack, if that can be done, and have the server say so."""
    try:
        locks.lengthen(version.key, version.id)
        locks.check(version.key, version.id)
    except (MissingObjectError, RefusedError):
        return False
    return True
