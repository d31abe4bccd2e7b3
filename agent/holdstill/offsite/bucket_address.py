"""Where an off-site copy is: a bucket of a server that speaks the S3 protocol."""

from __future__ import annotations

import configparser
import os
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.errors import UsageError
from holdstill.offsite import private_file

if TYPE_CHECKING:
    from pathlib import Path

SCHEMES = ("s3+https://", "s3+http://")
_ADDRESS = re.compile(
    r"s3\+(https?)://([A-Za-z0-9.-]+|\[[0-9A-Fa-f:.]+\])(:\d{1,5})?/([a-z0-9][a-z0-9.-]{1,61}[a-z0-9])"
    r"((?:/[A-Za-z0-9._-]+)*)/?",
    re.ASCII,
)
"""Names of buckets: 3 to 63 lower-case letters, digits, dots and hyphens (common practice)."""

_NAMES = ("aws_access_key_id", "aws_secret_access_key")


@dataclass(frozen=True)
class BucketAddress:
    """A bucket, and where in it.

    Attributes:
        endpoint: URL of the server.
        prefix: what all keys begin with; "" or ends in a slash.
    """

    endpoint: str
    bucket: str
    prefix: str = ""

    def __str__(self) -> str:
        return f"s3+{self.endpoint}/{self.bucket}/{self.prefix}".rstrip("/")


@dataclass(frozen=True)
class AccessKey:
    """What lets somebody in at the server."""

    key_id: str
    secret: str = field(repr=False)


def is_one(text: str) -> bool:
    """Return whether a text means a bucket."""
    return text.startswith(SCHEMES)


def parse(text: str) -> BucketAddress:
    """Read an address such as s3+https://objects.example:8333/bucket/folder.

    Raises:
        UsageError: it is none.
    """
    match = _ADDRESS.fullmatch(text)
    if match is None:
        raise UsageError(
            f"{text!r} is no address of a bucket",
            hint="write s3+https://HOST[:PORT]/BUCKET[/FOLDER]; s3+http:// on a network of yours",
        )
    scheme, host, port, bucket, folder = match.groups()
    prefix = f"{folder[1:]}/" if folder else ""
    return BucketAddress(f"{scheme}://{host}{port or ''}", bucket, prefix)


def access_key(path: Path | None) -> AccessKey:
    """Read the access key from a file, else from the environment.

    A file has the lines `aws_access_key_id = ...` and `aws_secret_access_key = ...` below a line
    `[default]`; the environment AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY (common practice).

    Raises:
        UsageError: there is none, or others may read the file.
    """
    if path is None:
        found = [
            os.environ.get(name, "") for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY")
        ]
        where = "the environment"
    else:
        found, where = _from_file(path), str(path)
    if not all(found):
        raise UsageError(
            f"{where} has no access key of the bucket",
            hint="name a file with --access-key, or set AWS_ACCESS_KEY_ID and "
            "AWS_SECRET_ACCESS_KEY",
        )
    return AccessKey(*found)


def _from_file(path: Path) -> list[str]:
    data = private_file.read(path)
    parser = configparser.ConfigParser(interpolation=None)
    try:
        parser.read_string(data.decode(), str(path))
    except (configparser.Error, ValueError) as error:
        raise UsageError(
            f"{path} is no file of an access key: {error}",
            hint=f"it has the line [default], then `name = value` for {' and '.join(_NAMES)}",
        ) from error
    return [parser.get("default", name, fallback="") for name in _NAMES]
