"""The heads of one keeper in the bucket: where they are, and how one follows the other."""

from __future__ import annotations

import re
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import SecurityError
from holdstill.model.sizes import counted
from holdstill.offsite import head, head_limits
from holdstill.offsite.bucket import FailingObjectError, MissingObjectError, RefusedError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from holdstill.offsite.bucket import Bucket, Version
    from holdstill.offsite.head import Head, OpenPart

KEEPERS = "keepers/"
_NAMED = 10
"""Heads that are missing one after the other, and are named each."""
_STRANGERS = 3
"""Keepers of nobody whose heads are named."""
_KEY = re.compile(r"keepers/([0-9a-f]{16})/heads/([0-9]{10})")


class UnreadHeadError(SecurityError):
    """A version of a head that the server does not hand out: nobody takes it for a head."""


class FoundHead(NamedTuple):
    """One version of what is under the key of a head."""

    keeper: str
    number: int
    version: Version


def key_of(keeper: str, number: int) -> str:
    """Return the key of a head."""
    return f"{_folder(keeper)}{number:010d}"


def pack_key(name: str) -> str:
    """Return the key of a pack."""
    return f"packs/{name}"


def _folder(keeper: str) -> str:
    return f"{KEEPERS}{keeper}/heads/"


def found(bucket: Bucket, keeper: str = "", *, after: int = 0) -> Iterator[FoundHead]:
    """Yield all versions of the heads of a keeper, or of all, in their order.

    Args:
        bucket: to look in.
        keeper: whose; "" for everybody's.
        after: only those behind this number.
    """
    begin = _folder(keeper) if keeper else KEEPERS
    for version in bucket.versions(begin, after=key_of(keeper, after) if after else ""):
        match = _KEY.fullmatch(version.key)
        if match is not None and int(match[2]) > after:
            yield FoundHead(match[1], int(match[2]), version)


def read(bucket: Bucket, which: FoundHead, key: bytes) -> Head:
    """Read a version of a head, and check that it is the one of its place.

    Raises:
        SecurityError: it is none, or not what a keeper with this key has put there;
            UnreadHeadError where the server does not say what it is.
        LinkError: the server cannot be asked.
    """
    with _named(which):
        got = head.decode(_bytes(bucket, which.version), key)
        check_place(which, got.open)
        return got


def read_sealed(bucket: Bucket, which: FoundHead, key: bytes) -> tuple[OpenPart, str]:
    """Return the open part and the digest of a version that was made with this key.

    What it tells besides is not unpacked: whose it is comes first.

    Raises:
        SecurityError, LinkError: as `read`.
    """
    with _named(which):
        data = _bytes(bucket, which.version)
        told = head.sealed_by(data, key)
        check_place(which, told)
        return told, head.digest(data)


@contextmanager
def _named(which: FoundHead) -> Iterator[None]:
    """Say of which head it is what is wrong."""
    what = f"head {which.number} of keeper {which.keeper}"
    try:
        yield
    except MissingObjectError as error:
        raise SecurityError(f"{what}: it is gone") from error
    except FailingObjectError as error:
        raise UnreadHeadError(f"{what}: it cannot be read: {error}", hint=error.hint) from error
    except RefusedError as error:
        raise UnreadHeadError(
            f"{what}: it cannot be read: {error}",
            hint="nobody takes it for a head. If a key or a rule of the bucket seals it, or has "
            "put it into an archive, undo that; else `holdstill offsite setup --again` goes on "
            "beside what is there, as a keeper of another name",
        ) from error
    except SecurityError as error:
        raise SecurityError(f"{what}: {error}") from error


def read_open(bucket: Bucket, which: FoundHead) -> tuple[OpenPart, str]:
    """Return what anybody can read of a version of a head, and its digest.

    Raises:
        SecurityError: it is none, or that of another place.
        LinkError: it cannot be read.
    """
    data = _bytes(bucket, which.version)
    told = head.open_part(data)
    check_place(which, told)
    return told, head.digest(data)


def check_place(which: FoundHead, told: OpenPart) -> None:
    """Check that a head is where it belongs.

    Raises:
        SecurityError: it is another one.
    """
    if (told.keeper, told.number) != (which.keeper, which.number):
        raise SecurityError(f"it is head {told.number} of keeper {told.keeper}")


def merged(told: Iterable[OpenPart]) -> list[range]:
    """Return the numbers of the heads that later ones tell all of again: these may be gone."""
    return [range(one.merges, one.number) for one in told if one.merges]


def lacking(lost: Iterable[range], again: Sequence[range]) -> Iterator[range]:
    """Yield what of ranges of heads that are not there no head tells again.

    Ranges, and no sets of numbers: whoever puts a head says which number it has.
    """
    for numbers in lost:
        first = numbers.start
        for told in sorted(again, key=lambda one: one.start):
            if told.start >= numbers.stop:
                break
            if first < told.start:
                yield range(first, told.start)
            first = max(first, told.stop)
        if first < numbers.stop:
            yield range(first, numbers.stop)


def in_words(numbers: range) -> tuple[str, ...]:
    """Return "head 3", "head 4" and so on; of more than some, "heads 3 to 50" alone."""
    if len(numbers) > _NAMED:
        return (f"heads {numbers[0]} to {numbers[-1]}",)
    return tuple(f"head {number}" for number in numbers)


def of_strangers(no_good: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """Yield what is wrong with the heads of keepers that have none made with the key of heads.

    Whoever may write there can invent as many as he likes. So they are told in a few lines; each
    is looked at, for a limit would let them hide the owner's own.
    """
    yield from (texts[0] for texts in list(no_good.values())[:_STRANGERS])
    if len(no_good) > _STRANGERS:
        heads = counted(sum(map(len, no_good.values())), "head")
        yield (
            f"{heads} of {len(no_good):,} keepers there, these among them, are not of this "
            "recovery key, or cannot be read; nothing of them is used. Others write there, or "
            "somebody has the bucket's access key: if they are none of yours, make another one"
        )


def _bytes(bucket: Bucket, version: Version) -> bytes:
    if version.size > head_limits.BYTES:
        raise SecurityError("it is larger than heads are")
    return bucket.read(version)
