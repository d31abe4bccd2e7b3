"""What an object server promises, tried out: nothing is taken for granted because it is called S3.

Three things have to hold, or a stolen keeper could destroy the copy: a version that is locked
cannot be deleted, nor its lock be shortened or lifted; what is put over it leaves it readable; and
bytes that were spoiled on the way are refused. The rest is said, and nothing relies on it.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
from datetime import timedelta
from typing import TYPE_CHECKING

from botocore.exceptions import ClientError

from holdstill.errors import LinkError
from holdstill.model.layout import Record
from holdstill.offsite.bucket import code_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from holdstill.offsite.bucket import Bucket, Version

TRIAL = timedelta(seconds=90)
"""How long a trial object is locked. It is left there, some bytes that can be deleted later."""


class Promise(Record, frozen=True, kw_only=True):
    """One thing that was tried.

    Attributes:
        name: what a good server does.
        holds: whether this one did.
        is_needed: whether the copy relies on it.
        otherwise: what it means where it does not hold.
    """

    name: str
    holds: bool
    is_needed: bool
    otherwise: str


def md5_of(data: bytes) -> str:
    """Return Content-MD5 (RFC 1864)."""
    return base64.b64encode(hashlib.md5(data, usedforsecurity=False).digest()).decode()


def tried(bucket: Bucket, *, is_locked: bool) -> tuple[Promise, ...]:
    """Try what the server of a bucket promises, on objects of our own below trial/.

    Raises:
        LinkError: the bucket cannot be reached, or not be written to.
    """
    key, first, second = f"trial/{secrets.token_hex(8)}", b"first version", b"second version"
    until = bucket.now() + TRIAL if is_locked else None
    try:
        version = bucket.put(key, first, md5_of(first), until=until)
    except LinkError as error:
        if not is_locked:
            raise
        return (_promise("locks an object (COMPLIANCE)", holds=False, otherwise=f"{error}"),)
    bucket.put(key, second, md5_of(second))
    found = {one.id: one for one in bucket.versions(key)}
    return (
        *(_locks(bucket, key, version, until) if until else ()),
        _promise(
            "keeps what was put before when something is put over it",
            holds=version in found and bucket.read(found[version]) == first,
            otherwise="who has the keeper's key can replace the copy",
            is_needed=is_locked,
        ),
        _promise(
            "refuses bytes that do not have their Content-MD5",
            holds=_is_refused(lambda: bucket.put(f"{key}-md5", first, md5_of(second))),
            otherwise="what is spoiled on the way is found by `offsite verify` only",
        ),
        *_not_needed(bucket, key),
    )


def _locks(bucket: Bucket, key: str, version: str, until: datetime) -> tuple[Promise, ...]:
    client, name, full = bucket.client, bucket.address.bucket, bucket.address.prefix + key
    lock = bucket.locked(key, version).until
    sooner = until - TRIAL / 2

    def bypass() -> None:
        client.delete_object(
            Bucket=name, Key=full, VersionId=version, BypassGovernanceRetention=True
        )

    def shorten() -> None:
        bucket.extend(key, version, sooner)

    def lift() -> None:
        client.put_object_retention(
            Bucket=name, Key=full, VersionId=version, BypassGovernanceRetention=True,
            Retention={"Mode": "GOVERNANCE", "RetainUntilDate": sooner},
        )  # fmt: skip

    def suspend() -> None:
        client.put_bucket_versioning(Bucket=name, VersioningConfiguration={"Status": "Suspended"})

    lost = "who has the keeper's key can destroy the copy"
    return (
        _promise(
            "locks an object (COMPLIANCE) until the date that it is told",
            holds=lock is not None and abs(lock - until) < timedelta(seconds=2), otherwise=lost,
        ),
        _promise(
            "does not delete a locked version",
            holds=_is_refused(lambda: bucket.delete(key, version)), otherwise=lost,
        ),
        _promise("nor with leave to bypass", holds=_is_refused(bypass), otherwise=lost),
        _promise("does not shorten a lock", holds=_is_refused(shorten), otherwise=lost),
        _promise("does not turn it into one that can be lifted", holds=_is_refused(lift),
                 otherwise=lost),
        _promise("does not stop keeping versions", holds=_is_refused(suspend), otherwise=lost),
    )  # fmt: skip


def _not_needed(bucket: Bucket, key: str) -> tuple[Promise, ...]:
    client, name, full = bucket.client, bucket.address.bucket, bucket.address.prefix + key

    def put_again() -> None:
        client.put_object(Bucket=name, Key=full, Body=b"third", IfNoneMatch="*")

    def put_spoiled() -> None:
        wrong = base64.b64encode(hashlib.sha256(b"other").digest()).decode()
        client.put_object(Bucket=name, Key=f"{full}-sum", Body=b"this", ChecksumSHA256=wrong)

    unused = "nothing here relies on it"
    return (
        _promise("refuses to put over an object, if it is told so (If-None-Match)",
                 holds=_is_refused(put_again), otherwise=unused, is_needed=False),
        _promise("refuses bytes that do not have their SHA-256",
                 holds=_is_refused(put_spoiled), otherwise=unused, is_needed=False),
    )  # fmt: skip


def cleared(bucket: Bucket) -> int:
    """Delete what earlier trials have left and is locked no longer; return how many versions."""
    return sum(_is_deleted(bucket, one) for one in list(bucket.versions("trial/")))


def _is_deleted(bucket: Bucket, version: Version) -> bool:
    try:
        bucket.delete(version.key, version.id)
    except LinkError:
        return False
    return True


def _promise(name: str, *, holds: bool, otherwise: str, is_needed: bool = True) -> Promise:
    return Promise(name=name, holds=holds, is_needed=is_needed, otherwise=otherwise)


def _is_refused(call: Callable[[], object]) -> bool:
    """Return whether the server refuses a call; LinkError if it cannot be asked."""
    try:
        call()
    except ClientError as error:
        if error.response["ResponseMetadata"]["HTTPStatusCode"] >= 500:
            raise LinkError(f"the server failed: {code_of(error)}", hint="try again") from error
        return True
    except LinkError as error:
        cause = error.__cause__
        if not isinstance(cause, ClientError):
            raise
        return cause.response["ResponseMetadata"]["HTTPStatusCode"] < 500
    return False
