"""Whether the heads that a keeper has put are the ones that readers use.

Two stores of one name, one that was made again while the old one lives, can put the same number
in the same minutes: the list showed neither of them the other's. Readers use the oldest version
that is good, so what the other one tells there is told to nobody. It is noticed by the next run
of that one, which lists its last head again, and before anything leaves a keeper for good.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import LinkError, SecurityError
from holdstill.offsite import keeper_heads
from holdstill.offsite.bucket import FailingObjectError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.offsite.bucket import Bucket
    from holdstill.offsite.keeper_heads import FoundHead
    from holdstill.offsite.offsite_settings import OffsiteSettings
    from holdstill.offsite.sent import Sent, SentHead


def check_one(
    bucket: Bucket, mine: SentHead, listed: Iterable[FoundHead], key: bytes
) -> bool:  # fmt: skip
    """Check that a head of ours is the one that readers use; False if it is not listed.

    Args:
        bucket: where.
        mine: the head.
        listed: all versions of that number, oldest first.
        key: of heads.

    Raises:
        SecurityError: another one is used.
        LinkError: the bucket cannot be read.
    """
    for which in listed:
        if which.version.id == mine.version and which.version.size == mine.size:
            return True
        if _counts(bucket, which, mine, key):
            raise SecurityError(
                f"{bucket.address}: head {mine.number} that readers use there was put by somebody "
                "else in this keeper's name",
                hint="nothing leaves this store. A copy of this store, or "
                "the one it was made again from, writes there as well: end its uploads. What is "
                "there stays; `holdstill offsite setup --again` goes on beside it, as a keeper of "
                "another name",
            )
    return False


def _counts(bucket: Bucket, which: FoundHead, mine: SentHead, key: bytes) -> bool:
    """Whether readers use a version for a head, and it is not what we have put.

    A put that was tried twice is there twice, with the same bytes.
    """
    try:
        return keeper_heads.read_sealed(bucket, which, key)[1] != mine.digest
    except SecurityError as error:
        if isinstance(error.__cause__, FailingObjectError):
            raise error.__cause__ from None  # readers may have it, when the server has again
        return False


def check_all(bucket: Bucket, sent: Sent, settings: OffsiteSettings) -> None:
    """Check all heads that tell what is off-site, before that becomes the only copy.

    Raises:
        SecurityError: readers use another one for one of them.
        LinkError: one is not listed, or the bucket cannot be read.
    """
    listed: dict[int, list[FoundHead]] = {}
    for which in keeper_heads.found(bucket, settings.keeper):
        listed.setdefault(which.number, []).append(which)
    for mine in sent.heads():
        if mine.merged_by:
            continue
        if not check_one(bucket, mine, listed.get(mine.number, ()), settings.keys.heads):
            key = keeper_heads.key_of(settings.keeper, mine.number)
            raise LinkError(
                f"{bucket.address}: {key} is not listed there",
                hint="nothing leaves this store; if it stays so, `holdstill offsite verify` says "
                "what is missing",
            )
