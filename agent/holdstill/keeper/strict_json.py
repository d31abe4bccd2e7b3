"""JSON from outside, read without the usual laxness.

RFC 8259 leaves open what duplicate keys, huge numbers and unpaired surrogates mean, and most
readers accept more than JSON. Two readers that disagree about one message are a hole, so
whatever could be read in two ways is refused here.
"""

from __future__ import annotations

import json
import math
import re

from holdstill.errors import SecurityError

DEPTH_MAX = 16
_STRING = re.compile(rb'"[^"\\]*+(?:\\.[^"\\]*+)*+"?', re.DOTALL)
"""Possessive: with a way back for each character, a message of 8 MiB takes a gigabyte."""
VALUES_MAX = 400_000
"""Most commas: the largest call has some 80,000 values, and each takes a hundred bytes."""
_SURROGATE = re.compile(rb"\\u[dD][89a-fA-F]")
_DIGITS_MAX = 20


def loads(data: bytes, *, limit: int) -> object:
    """Read one JSON value.

    Raises:
        SecurityError: too long, too deep, not JSON, or JSON that can be read in two ways.
    """
    if len(data) > limit:
        raise SecurityError(f"a message of more than {limit} bytes")
    if data.count(b",") > VALUES_MAX:
        raise SecurityError(f"a message of more than {VALUES_MAX} values")
    # Count brackets outside strings, before anything that recurses sees them.
    depth = 0
    for char in re.findall(rb"[\[\]{}]", _STRING.sub(b"", data)):
        depth += 1 if char in b"[{" else -1
        if depth > DEPTH_MAX:
            raise SecurityError(f"a message nested more than {DEPTH_MAX} deep")
    try:
        value: object = json.loads(
            data.decode(),
            object_pairs_hook=_pairs,
            parse_constant=_constant,
            parse_int=_integer,
            parse_float=_fraction,
        )
    except (ValueError, RecursionError) as error:
        raise SecurityError(f"a message that is not JSON: {error}") from error
    if _SURROGATE.search(data):
        _check_text(value)
    return value


def _pairs(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise SecurityError("a message with a key that stands twice")
    return found


def _constant(word: str) -> object:
    raise SecurityError(f"a message with {word}, which is not JSON")


def _integer(digits: str) -> int:
    if len(digits) > _DIGITS_MAX:
        raise SecurityError("a message with a number of too many digits")
    return int(digits)


def _fraction(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        raise SecurityError("a message with a number that is too large")
    return value


def _check_text(value: object) -> None:
    """Refuse unpaired surrogates: such text has no bytes."""
    if isinstance(value, str):
        try:
            value.encode()
        except UnicodeEncodeError as error:
            raise SecurityError("a message with half a character") from error
    elif isinstance(value, dict):
        for key, below in value.items():
            _check_text(key)
            _check_text(below)
    elif isinstance(value, list):
        for below in value:
            _check_text(below)
