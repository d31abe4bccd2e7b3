"""Hostile text in every string of a record, by walking its fields: a new one is covered too."""

from __future__ import annotations

import re
import typing
from enum import Enum

import msgspec

HOSTILE = (
    "\x1b]0;owned\x07"  # OSC: sets a terminal's title (ECMA-48, 8.3.89)
    "\x1b[2J\x1b[31m"  # CSI: erases, colours (ECMA-48, 8.3.39 and 8.3.117)
    "\x9b2J\x9d0;c1\x9c"  # the same as single C1 characters (ECMA-48, 5.3)
    "\x00\x07\x08\r\x7f"
    "\u202eevil\u202c\u2066x\u2069"  # bidirectional controls (UAX #9, 2)
    "\u200b\u200d\ufeff\u00ad\u2028\u2029"
    "\U000e0041\ue000\u0378"  # a tag, private use, unassigned
    "e"
    + 40
    * "\u0301"  # more combining marks than a letter can have (UAX #15, 13)
    + "\u05d0\u0634 7.8 (good)"  # letters that turn what follows around (UAX #9, 3.2)
    "[bold red]markup[/]"
    "\nholdstill: a line of its own"
)
"""What must not reach a terminal as it is; each sequence with its source."""


def is_clean(text: str) -> bool:
    """Whether a terminal can show this as it is; written apart from the product on purpose."""
    return all(_is_harmless(ord(c)) for c in text) and _STACKED.search(text) is None


_STACKED = re.compile("[\u0300-\u036f]{31}")
"""More combining diacritical marks in a row than a stream-safe text has (UAX #15, 13)."""


def _is_harmless(code: int) -> bool:
    """Judge by ranges of the Unicode charts (from memory), not by Python's tables."""
    if code == 0x0A:
        return True
    return not (
        code < 0x20
        or 0x7F <= code <= 0x9F
        or code in {0xAD, 0x61C, 0x180E, 0xFEFF, 0x0378}
        or 0x5D0 <= code <= 0x5EA  # Hebrew letters
        or 0x620 <= code <= 0x64A  # Arabic letters
        or 0x710 <= code <= 0x72F  # Syriac letters
        or 0x780 <= code <= 0x7A5  # Thaana letters
        or 0x200B <= code <= 0x200F
        or 0x2028 <= code <= 0x202E
        or 0x2060 <= code <= 0x206F
        or 0xD800 <= code <= 0xF8FF
        or 0xFFF9 <= code <= 0xFFFB
        or 0xE0000 <= code <= 0xE0FFF
        or code >= 0xF0000
    )


T = typing.TypeVar("T")


def hostile(value: T, text: str = HOSTILE, *, keep: frozenset[str] = frozenset()) -> T:
    """Return a record with the text put into each of its strings, in lists and below as well.

    Empty strings and lists are filled, too. Fields named in keep, as `Record.field`, stay: those
    that must be understood before anything is printed.
    """
    if not isinstance(value, msgspec.Struct):
        return value
    changes = {
        field.name: _filled(getattr(value, field.name), field.type, text, keep)
        for field in msgspec.structs.fields(value)
        if f"{type(value).__name__}.{field.name}" not in keep
    }
    return typing.cast("T", msgspec.structs.replace(value, **changes))


def _filled(value: object, kind: object, text: str, keep: frozenset[str]) -> object:
    match value:
        case Enum():
            return value
        case str():
            return f"{value}{text}"
        case tuple() if typing.get_args(kind)[:1] == (str,):
            return tuple(f"{item}{text}" for item in (*value, "")) if value else (text,)
        case tuple():
            return tuple(hostile(item, text, keep=keep) for item in value)
        case msgspec.Struct():
            return hostile(value, text, keep=keep)
        case _:
            return value
