"""Bytes as English words, for paper: RFC 1751, "A Convention for Human-Readable 128-bit Keys".

Eight bytes are six words of a list of 2048; two bits of parity find most slips of the pen.
"""

from __future__ import annotations

from functools import cache
from importlib import resources

from holdstill.errors import UsageError

GROUP = 6
"""Words of a group."""
_BYTES = 8
"""Bytes that a group stands for."""
_BITS = 11
"""Bits that a word stands for."""
_LOOKALIKES = str.maketrans("105", "LOS")
"""Digits that are read for letters (RFC 1751, `standard`)."""


@cache
def words() -> tuple[str, ...]:
    """Return the 2048 words of RFC 1751, in their order."""
    listed = resources.files("holdstill.offsite").joinpath("rfc1751-words.txt")
    return tuple(listed.read_text(encoding="ascii").split())


def encode(data: bytes) -> tuple[str, ...]:
    """Return the words of bytes, whose number is a multiple of eight."""
    found: list[str] = []
    for at in range(0, len(data), _BYTES):
        number = int.from_bytes(data[at : at + _BYTES])
        bits = number << 2 | _parity(number)
        found += (
            words()[bits >> shift & 0x7FF] for shift in range(_BITS * (GROUP - 1), -1, -_BITS)
        )
    return tuple(found)


def decode(text: str) -> bytes:
    """Return the bytes of words, in upper or lower case.

    Raises:
        UsageError: a word is not of the list, words are missing, or the parity is wrong.
    """
    given = text.upper().translate(_LOOKALIKES).split()
    if not given or len(given) % GROUP:
        raise UsageError(
            f"{len(given)} words, where there are always {GROUP} to a line",
            hint="read the lines again, and type all words of each",
        )
    groups = [given[at : at + GROUP] for at in range(0, len(given), GROUP)]
    return b"".join(_group(number, group) for number, group in enumerate(groups, 1))


def _group(line: int, group: list[str]) -> bytes:
    bits = 0
    for word in group:
        if word not in _numbers():
            raise UsageError(
                f"line {line}: {word} is not a word of the list",
                hint="read that line again; the list has words of one to four letters",
            )
        bits = bits << _BITS | _numbers()[word]
    number = bits >> 2
    if _parity(number) != bits & 3:
        raise UsageError(
            f"line {line}: a word is wrong, or two are in the wrong order",
            hint="read that line again, letter by letter",
        )
    return number.to_bytes(_BYTES)


@cache
def _numbers() -> dict[str, int]:
    return {word: number for number, word in enumerate(words())}


def _parity(number: int) -> int:
    """Return the sum of all pairs of bits, modulo four."""
    return sum(number >> shift & 3 for shift in range(0, 64, 2)) & 3
