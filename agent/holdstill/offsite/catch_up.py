"""Brings the notes up to the heads that are there: a run broke off before it knew of one.

What is not in the notes somebody else has put: a copy of the store, or who has its keys. It is
refused, for what it tells would be believed. Notes that were lost are made again from what is
there (`notes_again`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import LinkError, SecurityError, VerificationError
from holdstill.model.sizes import counted
from holdstill.offsite import keeper_heads, notes_again, own_heads
from holdstill.offsite.bucket import FailingObjectError, MissingObjectError
from holdstill.offsite.keeper_heads import UnreadHeadError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.offsite.bucket import Bucket
    from holdstill.offsite.head import OpenPart
    from holdstill.offsite.keeper_heads import FoundHead
    from holdstill.offsite.offsite_settings import OffsiteSettings
    from holdstill.offsite.sent import Sent, SentHead


def catch_up(bucket: Bucket, sent: Sent, settings: OffsiteSettings) -> tuple[str, ...]:
    """Bring the notes up to the newest head; return what somebody is to be told of.

    Raises:
        SecurityError: somebody else has put a head in this keeper's name, or our last one is not
            the one that readers use.
        LinkError: the bucket cannot be read, or its list lags behind.
    """
    last = sent.last_head()
    every = list(keeper_heads.found(bucket, settings.keeper, after=max(last.number - 1, 0)))
    of_last = [which for which in every if which.number == last.number]
    own_heads.check_one(bucket, last, of_last, settings.keys.heads)
    if last.number and not every:
        _check_is_here(bucket, settings.keeper, last)
    found = [which for which in every if which.number > last.number]
    if sent.is_being_made():
        warnings = notes_again.make(bucket, sent, found, settings.keys.heads)
    else:
        warnings = _go_on(bucket, sent, found, settings.keys.heads)
    following = sent.last_head().number + 1
    if sent.is_in_doubt() and following not in {which.number for which in found}:
        _check_is_not_there(bucket, keeper_heads.key_of(settings.keeper, following))
    sent.note_made()
    return tuple(warnings)


def _check_is_here(bucket: Bucket, keeper: str, last: SentHead) -> None:
    """Check that this is where the keeper has put its heads, of which the last is not listed.

    Raises:
        VerificationError: not one is there.
        LinkError: the bucket cannot be read.
    """
    if next(keeper_heads.found(bucket, keeper), None) is not None:
        return  # one is gone, or not listed yet
    try:
        bucket.locked(keeper_heads.key_of(keeper, last.number), last.version)
    except MissingObjectError as error:
        raise VerificationError(
            f"{bucket.address}: nothing of this keeper is there, and it has put "
            f"{counted(last.number, 'head')}",
            hint="nothing was sent. Is it another bucket or folder than before? `address` in "
            "offsite.yaml is to be the one on the paper. If all that was there is gone, "
            "`holdstill offsite setup --again` begins a new copy",
        ) from error


def _go_on(bucket: Bucket, sent: Sent, found: Sequence[FoundHead], key: bytes) -> list[str]:
    """Take the head of which a run did not hear whether it was put; there is no other."""
    warnings = []
    for which in found:
        try:
            told, digest = keeper_heads.read_sealed(bucket, which, key)
        except UnreadHeadError as error:
            if sent.is_in_doubt() or isinstance(error.__cause__, FailingObjectError):
                raise  # it may be ours, or be read later, and ours of that number by nobody
            warnings.append(str(error))
            continue
        except SecurityError as error:
            # Nobody takes it for a head, and ours can be put beside it.
            warnings.append(str(error))
            continue
        last = sent.last_head()
        if told.number == last.number + 1 and sent.is_begun(digest):
            got = keeper_heads.read(bucket, which, key)
            noted = {pack.name: pack.version for pack in sent.packs()}
            sent.take(
                got, version=which.version.id, size=which.version.size, packs=noted,
                is_found=False,
            )  # fmt: skip
        elif told.number > last.number:
            raise _strange(bucket, told, last.number)
        elif digest != last.digest:
            warnings.append(f"{keeper_heads.key_of(which.keeper, which.number)}: somebody has put "
                            "another one over it, which nobody uses")  # fmt: skip
    return warnings


def _strange(bucket: Bucket, told: OpenPart, last: int) -> SecurityError:
    return SecurityError(
        f"{bucket.address}: this store has not put head {told.number} of keeper "
        f"{told.keeper} there; its own last one is {last}",
        hint="nothing was sent, and nothing of it is believed; what is there by us stays locked. "
        "A copy of this store writes there as well: end that one, and have it go on as a keeper "
        "of another name by `holdstill offsite setup --again`. Or this store was put back to an "
        "older state: move its offsite.sqlite away, it is made again from what is there. Or "
        "somebody has this keeper's keys: withdraw the bucket's access key, make another one, "
        "then `holdstill offsite setup --again`",
    )


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
