"""Takes what heads tell that the notes do not have: a run broke off, or the notes were lost."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from holdstill.errors import LinkError, SecurityError
from holdstill.offsite import keeper_heads, own_heads
from holdstill.offsite.bucket import MissingObjectError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.offsite.bucket import Bucket
    from holdstill.offsite.head import Head
    from holdstill.offsite.keeper_heads import FoundHead
    from holdstill.offsite.offsite_settings import OffsiteSettings
    from holdstill.offsite.sent import Sent, SentHead


def catch_up(bucket: Bucket, sent: Sent, settings: OffsiteSettings) -> tuple[str, ...]:
    """Bring the notes up to the newest head; return what is there and was made by somebody else.

    Raises:
        SecurityError: a head there does not follow ours, our last one is not the one that readers
            use, or a pack that one tells of is gone.
        LinkError: the bucket cannot be read, or its list lags behind.
    """
    last, strange = sent.last_head(), 0
    listed = set()
    warnings: list[str] = []
    every = list(keeper_heads.found(bucket, settings.keeper, after=max(last.number - 1, 0)))
    of_last = (which for which in every if which.number == last.number)
    own_heads.check_one(bucket, last, of_last, settings.keys.heads)
    found = [which for which in every if which.number > last.number]
    went = _went(bucket, found, settings.keys.heads)
    for which in found:
        listed.add(which.number)
        try:
            got = keeper_heads.read(bucket, which, settings.keys.heads)
        except SecurityError as error:
            # Nobody takes it for a head, and ours can be put beside it.
            warnings.append(str(error))
            continue
        if _follows(got, last):
            sent.take(
                got, version=which.version.id, size=which.version.size,
                packs=lambda name: ("" if name in went else _version_of(bucket, name), ""),
            )  # fmt: skip
            last = sent.last_head()
        elif got.open.number > last.number:
            strange = got.open.number
    if strange > last.number:
        raise SecurityError(
            f"{bucket.address}: head {strange} there does not follow head {last.number} of ours",
            hint="nothing was sent. A copy of this store, or an older state of it, writes there "
            "as well. What is there stays; `holdstill offsite setup --again` goes on beside it, "
            "as a keeper of another name",
        )
    if sent.is_in_doubt() and last.number + 1 not in listed:
        _check_is_not_there(bucket, keeper_heads.key_of(settings.keeper, last.number + 1))
    return tuple(warnings)


def _went(bucket: Bucket, found: Iterable[FoundHead], key: bytes) -> set[str]:
    """Return the packs that heads tell were let go: these need not be there."""
    went: set[str] = set()
    for which in found:
        with suppress(SecurityError):
            went.update(keeper_heads.read(bucket, which, key).open.went)
    return went


def _follows(got: Head, last: SentHead) -> bool:
    """Whether a head goes on from the last one that is noted; those that it merges may be gone."""
    if got.open.number == last.number + 1:
        return got.open.previous == last.digest
    return got.open.number > last.number and 0 < got.open.merges <= last.number + 1


def _check_is_not_there(bucket: Bucket, key: str) -> None:
    """Check that a head which no list has is not there: some servers list late what was put.

    Two heads of one number would be good both, and only the first be used.

    Raises:
        LinkError: it is there.
    """
    try:
        bucket.locked(key, "")
    except MissingObjectError:
        return
    raise LinkError(
        f"{bucket.address}: {key} is there, and the server does not list it yet",
        hint="nothing was sent; the next run goes on",
    )


def _version_of(bucket: Bucket, name: str) -> str:
    for version in bucket.versions(keeper_heads.pack_key(name)):
        return version.id
    raise SecurityError(
        f"{bucket.address}: pack {name} is gone, which a head has told of",
        hint="`holdstill offsite verify` names all that is missing there; `holdstill offsite "
        "setup --again` sends all that this store has anew",
    )
