"""Places in a capture, and captured bytes, as they stand in an address. Pure."""

from __future__ import annotations

import binascii
import re
from base64 import b64decode, urlsafe_b64encode
from typing import TYPE_CHECKING, NamedTuple, Self

from markupsafe import Markup

from holdstill.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping

_PLAIN = re.compile(rb"[A-Za-z0-9/._~-]*")
"""What stands in an address as it is (RFC 3986, 2.3 and 3.4)."""
_NUMBER = re.compile(r"[0-9]{1,18}")


class Place(NamedTuple):
    """A path inside a part of a capture; b"" is its top."""

    part: int
    path: bytes

    @classmethod
    def of_query(cls, query: Mapping[str, str]) -> Self:
        """Read what stands behind an address.

        Raises:
            UsageError: that is no place.
        """
        return cls(number(query, "part"), raw(query, "path"))

    @property
    def query(self) -> Markup:
        """What stands behind the address of a page about it."""
        return asked(part=self.part, path=self.path)


def asked(**fields: int | bytes) -> Markup:
    """Return fields as they stand behind an address: numbers, and any bytes."""
    return Markup("&amp;").join(map(_field, fields, fields.values()))


def _field(name: str, value: int | bytes) -> Markup:
    # Of [A-Za-z0-9/._~=-] alone: it needs no escape, and a template must not cut it off.
    if isinstance(value, int):
        return Markup(f"{name}={value}")  # noqa: S704
    if _PLAIN.fullmatch(value):
        return Markup(f"{name}={value.decode('ascii')}")  # noqa: S704
    packed = urlsafe_b64encode(value).rstrip(b"=").decode("ascii")
    return Markup(f"{name}.64={packed}")  # noqa: S704


def raw(query: Mapping[str, str], name: str) -> bytes:
    """Return a field of bytes, b"" for none.

    Raises:
        UsageError: it is none.
    """
    packed = query.get(f"{name}.64")
    if packed is None:
        return query.get(name, "").encode(errors="replace")
    try:
        return b64decode(packed + "=" * (-len(packed) % 4), b"-_", validate=True)
    except (ValueError, binascii.Error) as error:
        raise UsageError("there is no such place here") from error


def number(query: Mapping[str, str], name: str) -> int:
    """Return a field that is a number.

    Raises:
        UsageError: it is none.
    """
    found = query.get(name, "")
    if _NUMBER.fullmatch(found) is None:
        raise UsageError("there is no such place here")
    return int(found)
