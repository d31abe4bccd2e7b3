"""Takes what heads tell that the notes do not have: a run broke off, or the notes were lost."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.offsite import keeper_heads

if TYPE_CHECKING:
    from holdstill.offsite.bucket import Bucket
    from holdstill.offsite.offsite_settings import OffsiteSettings
    from holdstill.offsite.sent import Sent


def catch_up(bucket: Bucket, sent: Sent, settings: OffsiteSettings) -> tuple[str, ...]:
    """Bring the notes up to the newest head; return what is there and was made by somebody else.

    Raises:
        SecurityError: a head there does not follow ours, or a pack that one tells of is gone.
    """
    last, strange = sent.last_head(), 0
    warnings: list[str] = []
    for which in keeper_heads.found(bucket, settings.keeper, after=last.number):
        try:
            got = keeper_heads.read(bucket, which, settings.keys.heads)
        except SecurityError as error:
            # Nobody takes it for a head, and ours can be put beside it.
            warnings.append(str(error))
            continue
        if (got.open.number, got.open.previous) == (last.number + 1, last.digest):
            sent.take(
                got, version=which.version.id, packs=lambda name: (_version_of(bucket, name), "")
            )
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
    return tuple(warnings)


def _version_of(bucket: Bucket, name: str) -> str:
    for version in bucket.versions(keeper_heads.pack_key(name)):
        return version.id
    raise SecurityError(
        f"{bucket.address}: pack {name} is gone, which a head has told of",
        hint="`holdstill offsite verify` names all that is missing there; `holdstill offsite "
        "setup --again` sends all that this store has anew",
    )
