"""The calls of an object server that we use, each with what went wrong in words.

No call relies on what servers do not keep in a locked bucket: conditional puts, checksums other
than Content-MD5. Everything is read by version, so that what was put later under the same name, or
a delete marker, hides nothing.
"""

from __future__ import annotations

import threading
from contextlib import contextmanager
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from boto3.session import Session
from botocore.config import Config
from botocore.exceptions import BotoCoreError, ClientError

from holdstill.errors import LinkError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import IO

    from mypy_boto3_s3.client import S3Client
    from mypy_boto3_s3.type_defs import EmptyResponseMetadataTypeDef as AnswerParts
    from mypy_boto3_s3.type_defs import ObjectVersionTypeDef

    from holdstill.offsite.bucket_address import AccessKey, BucketAddress

ATTEMPTS = 5
"""How often a call is made before it has failed; botocore waits longer from one to the next."""
_CONNECT, _READ = 10, 60
"""Seconds."""
CHUNK = 1 << 20
_HINT = "check address, access key and network; what was done stays, and the next run goes on"
_FAILING_HINT = (
    "the server fails at this one, each time; what was done stays. Ask who runs it to look at it; "
    "a run after that takes it up again"
)
_ODD_HINT = (
    "ask who runs the server, or a proxy before it, to look at its answers; what was done stays"
)
_TRY_LATER = frozenset({408, 429})
"""Status codes of HTTP (RFC 9110, 15.5.9; RFC 6585, 4)."""
_ALL_FAIL = 16
"""Objects at which a server fails, with none in between that it hands out, until it counts as
failing at all: each costs some seconds of waiting."""
_GONE = frozenset({"404", "NoSuchKey", "NoSuchVersion", "NotFound"})
_OF_ALL = frozenset({
    "AuthorizationHeaderMalformed", "ExpiredToken", "InvalidAccessKeyId", "InvalidToken",
    "NoSuchBucket", "RequestExpired", "RequestTimeTooSkewed", "RequestTimeout",
    "SignatureDoesNotMatch", "SlowDown", "TooManyRequests", "ServiceUnavailable", "503",
})  # fmt: skip
"""Answers that say nothing of the object (Amazon S3's list of error responses, from memory); to
HEAD they have no words, and the status is all (RFC 9110, 15.6.4)."""
_REFUSED = frozenset(
    {"AccessDenied", "403", "Forbidden", "InvalidAccessKeyId", "SignatureDoesNotMatch",
     "NoSuchBucket", "ExpiredToken", "InvalidToken", "AllAccessDisabled", "AccountProblem"}
)  # fmt: skip
"""What a server says of an access key or bucket that is not good (Amazon S3's list of error codes,
from memory)."""


@cache
def _session() -> Session:
    """Return what makes clients: it reads the description of all calls once, a quarter second."""
    return Session()


class Version(NamedTuple):
    """One version of an object.

    Attributes:
        key: without the prefix of the address.
        id: of the version.
    """

    key: str
    id: str
    size: int


class Locked(NamedTuple):
    """Until when a version is locked, None where it is not; and how many bytes it has."""

    until: datetime | None
    size: int


class Bucket:
    """A bucket. All keys are given without the prefix of its address; threads may share it.

    Attributes:
        requests: calls made so far, repeated ones counted once.
    """

    def __init__(
        self, address: BucketAddress, access: AccessKey, *, attempts: int = ATTEMPTS
    ) -> None:
        self.address, self.requests = address, 0
        self._counting = threading.Lock()
        self._date = ""
        self._failing: set[str] = set()
        # The newer checksums are left out: what a server makes of them differs.
        self.client: S3Client = _session().client(
            "s3",
            endpoint_url=address.endpoint,
            aws_access_key_id=access.key_id,
            aws_secret_access_key=access.secret,
            region_name="us-east-1",
            config=Config(
                connect_timeout=_CONNECT, read_timeout=_READ, user_agent="holdstill",
                retries={"mode": "standard", "total_max_attempts": attempts},
                request_checksum_calculation="when_required",
                response_checksum_validation="when_required",
                s3={"addressing_style": "path"},
            ),
        )  # fmt: skip
        self.client.meta.events.register("after-call.s3", self._note_answer)

    def _note_answer(self, parsed: AnswerParts, **_: object) -> None:
        told = parsed["ResponseMetadata"]
        self._date = told["HTTPHeaders"].get("date", "")
        if told["HTTPStatusCode"] < 500:
            with self._counting:
                self._failing.clear()

    def now(self) -> datetime:
        """Return the server's clock, as of its last answer.

        Raises:
            LinkError: the bucket cannot be reached, or is not there.
        """
        if not self._date:
            with self._call("the bucket", is_object=False):
                self.client.head_bucket(Bucket=self.address.bucket)
        try:
            return parsedate_to_datetime(self._date).astimezone(UTC)
        except (ValueError, OverflowError) as error:  # the latter: before the year 1
            raise LinkError(f"{self.address.endpoint} does not say what time it is") from error

    def put(
        self, key: str, body: bytes | IO[bytes], md5: str, *, until: datetime | None = None
    ) -> str:
        """Put an object; return the id of its version.

        Args:
            key: of the object.
            body: its bytes.
            md5: of them, in base64, which the server compares.
            until: when the lock on it ends; None for no lock.
        """
        # Nothing is there yet: a failure is one of putting, and of none of the objects.
        with self._call(key, is_object=False):
            if until is None:
                answer = self.client.put_object(
                    Bucket=self.address.bucket, Key=self._full(key), Body=body, ContentMD5=md5
                )
            else:
                answer = self.client.put_object(
                    Bucket=self.address.bucket, Key=self._full(key), Body=body, ContentMD5=md5,
                    ObjectLockMode="COMPLIANCE", ObjectLockRetainUntilDate=until,
                )  # fmt: skip
        return answer.get("VersionId", "")

    def locked(self, key: str, version: str) -> Locked:
        """Return until when a version is locked, and its size.

        Raises:
            LinkError: it is not there, or the server cannot be asked.
        """
        with self._call(key):
            if version:
                found = self.client.head_object(
                    Bucket=self.address.bucket, Key=self._full(key), VersionId=version
                )
            else:
                found = self.client.head_object(Bucket=self.address.bucket, Key=self._full(key))
        if "ContentLength" not in found:
            raise self._odd(key, "it has no 'ContentLength'")
        if found.get("ObjectLockMode") != "COMPLIANCE":
            return Locked(None, found["ContentLength"])
        return Locked(_in_utc(found.get("ObjectLockRetainUntilDate")), found["ContentLength"])

    def retention(self, key: str, version: str) -> datetime | None:
        """Return until when a version is locked, None where it is not, whatever else it is.

        Raises:
            LinkError: as `locked`; RefusedError where some servers have no lock to tell of.
        """
        with self._call(key):
            found = self.client.get_object_retention(
                Bucket=self.address.bucket, Key=self._full(key), VersionId=version
            ).get("Retention", {})
        return _in_utc(found.get("RetainUntilDate")) if found.get("Mode") == "COMPLIANCE" else None

    def extend(self, key: str, version: str, until: datetime) -> None:
        """Lock a version for longer.

        Raises:
            RefusedError: the server does not do that; for one, it is locked for longer already.
        """
        with self._call(key):
            self.client.put_object_retention(
                Bucket=self.address.bucket, Key=self._full(key), VersionId=version,
                Retention={"Mode": "COMPLIANCE", "RetainUntilDate": until},
            )  # fmt: skip

    def delete(self, key: str, version: str) -> None:
        """Delete a version for good.

        Raises:
            LinkError: it is locked, or the server cannot be asked.
        """
        with self._call(key):
            if version:
                self.client.delete_object(
                    Bucket=self.address.bucket, Key=self._full(key), VersionId=version
                )
            else:
                self.client.delete_object(Bucket=self.address.bucket, Key=self._full(key))

    def read(self, version: Version, *, first: int = 0, length: int | None = None) -> bytes:
        """Return the bytes of a version, or `length` of them from `first` on."""
        return b"".join(self.chunks(version, first=first, length=length))

    def chunks(
        self, version: Version, *, first: int = 0, length: int | None = None
    ) -> Iterator[bytes]:
        """Yield the bytes of a version in their order, in chunks; cut short is told.

        A call that breaks off in the middle goes on from there.

        Raises:
            RefusedError, MissingObjectError: this one cannot be read; a `FailingObjectError` was
                asked for once more.
            LinkError: the server cannot be asked.
        """
        end = version.size if length is None else first + length
        failures = 0
        while first < end:
            before = first
            try:
                for chunk in self._ranged(version, first, end):
                    first += len(chunk)
                    yield chunk
            except LinkError as error:
                failures = 0 if first > before else failures + 1
                is_final = isinstance(error, RefusedError)
                if failures >= 2 or (is_final and not isinstance(error, FailingObjectError)):
                    raise
                continue
            if first < end:
                raise FailingObjectError(
                    f"{self.address}: {version.key}: the server sent {first} of {end} bytes",
                    hint=_FAILING_HINT,
                )

    def _ranged(self, version: Version, first: int, end: int) -> Iterator[bytes]:
        with self._call(version.key):
            if version.id:
                answer = self.client.get_object(
                    Bucket=self.address.bucket, Key=self._full(version.key),
                    VersionId=version.id, Range=f"bytes={first}-{end - 1}",
                )  # fmt: skip
            else:
                answer = self.client.get_object(
                    Bucket=self.address.bucket, Key=self._full(version.key),
                    Range=f"bytes={first}-{end - 1}",
                )  # fmt: skip
            left = end - first
            for chunk in answer["Body"].iter_chunks(CHUNK):
                yield chunk[:left]
                left -= len(chunk[:left])
                if not left:  # what comes behind the end was not asked for, and may have none
                    answer["Body"].close()
                    break

    def versions(self, begin: str, *, after: str = "") -> Iterator[Version]:
        """Yield all versions of the objects whose keys begin so, oldest first within a key.

        Delete markers are no versions: they hide an object from others, not from us.

        Args:
            begin: of the keys.
            after: only keys behind this one.
        """
        marker, version = self._full(after) if after else "", ""
        held: list[Version] = []
        while True:
            found, after_it = self._page(begin, marker, version)
            for one in found:
                if held and held[-1].key != one.key:
                    yield from _oldest_first(held)
                    held = []
                held.append(one)
            if after_it is None:
                break
            if after_it == (marker, version):
                raise self._odd(f"the list of {begin}", "it goes on where it was, without end")
            marker, version = after_it
        yield from _oldest_first(held)

    def _page(
        self, begin: str, marker: str, version: str
    ) -> tuple[list[Version], tuple[str, str] | None]:
        """Return a part of a list, and where the next one begins; None after the last one."""
        try:
            with self._call(f"the list of {begin}", is_object=False):
                page = self.client.list_object_versions(
                    Bucket=self.address.bucket, Prefix=self._full(begin), KeyMarker=marker,
                    VersionIdMarker=version,
                )  # fmt: skip
            found = [self._version(item) for item in page.get("Versions", ())]
            if not page["IsTruncated"]:
                return found, None
            return found, (page["NextKeyMarker"], page.get("NextVersionIdMarker", ""))
        except KeyError as error:
            raise self._odd(f"the list of {begin}", f"it has no {error}") from error

    def _odd(self, what: str, why: str) -> LinkError:
        return LinkError(
            f"{self.address}: {what}: the answer is not as S3 has it: {why}", hint=_ODD_HINT
        )

    def _version(self, item: ObjectVersionTypeDef) -> Version:
        key = item["Key"][len(self.address.prefix) :]
        found = "" if item["VersionId"] == "null" else item["VersionId"]
        return Version(key, found, item["Size"])

    def _full(self, key: str) -> str:
        return self.address.prefix + key

    @contextmanager
    def _call(self, what: str, *, is_object: bool = True) -> Iterator[None]:
        """Count a call, and put into words what became of it."""
        with self._counting:
            self.requests += 1
        try:
            yield
        except ClientError as error:
            raise self._in_words(what, error, is_object=is_object) from error
        except (BotoCoreError, OSError) as error:
            raise LinkError(f"{self.address}: {what}: {error}", hint=_HINT) from error
        except ValueError as error:  # a number or date that is none
            raise self._odd(what, str(error)) from error

    def _in_words(self, what: str, error: ClientError, *, is_object: bool) -> LinkError:
        code = code_of(error)
        told = f"{self.address}: {what}: {code}: {error.response['Error'].get('Message', '')}"
        if code in _GONE:
            return MissingObjectError(f"{self.address}: {what} is not there", hint=_HINT)
        status = error.response["ResponseMetadata"]["HTTPStatusCode"]
        if 400 <= status < 500 and status not in _TRY_LATER and code not in _OF_ALL:
            return RefusedError(told, hint=_HINT)
        if is_object and status >= 500 and code not in _OF_ALL and self._is_of_this_one(what):
            return FailingObjectError(told, hint=_FAILING_HINT)
        return LinkError(told, hint=_HINT)

    def _is_of_this_one(self, what: str) -> bool:
        """Whether the server fails at an object, and not at each one that it is asked for."""
        with self._counting:
            self._failing.add(what)
            return len(self._failing) < _ALL_FAIL


def _in_utc(told: datetime | None) -> datetime | None:
    """Return a date that a server tells; one without a zone is of UTC, as all of S3's are."""
    return told if told is None or told.tzinfo is not None else told.replace(tzinfo=UTC)


def _oldest_first(found: list[Version]) -> list[Version]:
    """Return the versions of a key in the order in which they were put.

    They are listed newest first (Amazon S3's API reference of ListObjectVersions, from memory;
    seen of SeaweedFS 4.48). Their dates do not say it: SeaweedFS gives a version a new date when
    its lock is lengthened, so that what somebody has put over it would seem to be older.
    """
    return found[::-1]


class MissingObjectError(LinkError):
    """There is no such object, or version."""


class RefusedError(LinkError):
    """The server answered, and does not do this with this object; it may with all others.

    So it is with what somebody has sealed with a key of his own (SSE-C), with what a rule of the
    bucket has put into an archive, and with a date before that of a lock.
    """


class FailingObjectError(RefusedError):
    """The server fails at this object, each time that it is asked; others it may have.

    It says so (5xx), or sends less than there is by its own list. So it is with one whose disk is
    broken, of a server that has many.
    """


def code_of(error: ClientError) -> str:
    """Return the server's code of an error, such as AccessDenied."""
    return error.response.get("Error", {}).get("Code", "")


def is_refused(error: Exception) -> bool:
    """Return whether the server was reached and takes the access key, or knows the bucket, not."""
    cause = error.__cause__
    return isinstance(cause, ClientError) and code_of(cause) in _REFUSED
