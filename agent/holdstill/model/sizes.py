"""Units: bytes and sectors are different types, and people read rounded numbers."""

from __future__ import annotations

import re
from typing import NewType, Self

from holdstill.errors import UsageError

Bytes = NewType("Bytes", int)
Sectors = NewType("Sectors", int)

SECTOR = 512
"""The unit of partition tables on cards, in bytes."""
KIB, MIB, GIB = 1 << 10, 1 << 20, 1 << 30
BLOCK = 4 * KIB
"""Bytes by which a file grows on most file systems."""

_UNITS = {"": 1, "K": KIB, "M": MIB, "G": GIB, "T": 1 << 40}
_SIZE = re.compile(r"(\d+(?:\.\d+)?)\s*([KMGT]?)(?:i?B)?", re.IGNORECASE | re.ASCII)


def parse_size(text: str, option: str = "") -> Bytes:
    """Read a size such as 512M, 7.5GiB or 4096; units are powers of 1024.

    Args:
        text: the size.
        option: which option it was given for, to be told in the error.

    Raises:
        UsageError: the text is not a size.
    """
    match = _SIZE.fullmatch(text.strip())
    if match is None:
        what = f"{option} {text!r}".lstrip()
        raise UsageError(f"{what} is not a size", hint="write bytes, or 512M, 7.5G, 1T")
    try:
        return Bytes(int(float(match[1]) * _UNITS[match[2].upper()]))
    except OverflowError as error:  # beyond some 300 digits a float is infinite
        raise UsageError(f"{text[:20]!r}... is more than any disk has") from error


class ByteSize(int):
    """A number of bytes that people write as 512M; a field of settings decodes into it."""

    @classmethod
    def parse(cls, value: object) -> Self:
        """Read a size as `parse_size` does, or a whole number.

        Raises:
            UsageError: it is neither.
        """
        return cls(parse_size(str(value)))


def human(count: int) -> str:
    """Write a number of bytes for people, in powers of 1024."""
    amount, units = float(count), ["B", "KiB", "MiB", "GiB", "TiB"]
    while abs(amount) >= 1024 and len(units) > 1:
        amount /= 1024
        units.pop(0)
    return f"{amount:.0f} {units[0]}" if units[0] == "B" else f"{amount:.1f} {units[0]}"


def counted(count: int, one: str, many: str = "") -> str:
    """Write a number with its noun: "1 file", "1,024 files"; many is for irregular plurals."""
    return f"{count:,} {one if count == 1 else many or f'{one}s'}"


def align_up(value: int, step: int) -> int:
    """Round up to a multiple of step."""
    return -(-value // step) * step


def align_down(value: int, step: int) -> int:
    """Round down to a multiple of step."""
    return value // step * step
