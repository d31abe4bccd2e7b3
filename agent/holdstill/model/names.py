"""Names of boards, captures, runs and contents, checked where they enter."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC
from typing import TYPE_CHECKING, NewType

from holdstill.errors import UsageError

if TYPE_CHECKING:
    from datetime import datetime

Digest = NewType("Digest", str)
"""A SHA-256 in 64 lower-case hexadecimal digits (FIPS 180-4)."""
BoardName = NewType("BoardName", str)
RunId = NewType("RunId", str)

_DIGEST = re.compile(r"[0-9a-f]{64}")
_BOARD = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?")
_RUN = re.compile(r"[a-z0-9]{8,32}")
_CAPTURE = re.compile(r"([0-9]{6,9})-([0-9]{8}T[0-9]{6}Z)")


def check_digest(text: str) -> Digest:
    """Return text as a digest.

    Raises:
        UsageError: it is not 64 lower-case hexadecimal digits.
    """
    if _DIGEST.fullmatch(text) is None:
        raise UsageError(f"{text!r} is not a SHA-256 digest in lower-case hexadecimal")
    return Digest(text)


def is_digest(text: str) -> bool:
    """Return whether text is a digest."""
    return _DIGEST.fullmatch(text) is not None


def check_board(text: str) -> BoardName:
    """Return text as a board's name: a DNS label (RFC 1123, 2.1), in lower case.

    Raises:
        UsageError: it is not.
    """
    if _BOARD.fullmatch(text) is None:
        alone = text.partition("/")[0]
        if alone != text and is_board(alone):
            raise UsageError(
                f"{text!r} cannot be a board's name: this is for a board, not for one capture",
                hint=f"name the board alone: {alone}",
            )
        raise UsageError(
            f"{text!r} cannot be a board's name",
            hint="use 1 to 63 lower-case letters, digits and inner hyphens, such as pier-3; "
            "`holdstill list` shows the boards there are, and --help the order of the arguments",
        )
    return BoardName(text)


def is_board(text: str) -> bool:
    """Return whether text can be a board's name."""
    return _BOARD.fullmatch(text) is not None


def is_capture(text: str) -> bool:
    """Return whether text can be a capture's name."""
    return _CAPTURE.fullmatch(text) is not None


def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """Return a key that sorts names as people do: pier-2 before pier-10."""
    pieces = re.split(r"([0-9]+)", text)
    return tuple(
        (0, int(piece), piece) if number % 2 else (1, 0, piece)
        for number, piece in enumerate(pieces)
        if piece
    )


def check_run(text: str) -> RunId:
    """Return text as the name of a run.

    Raises:
        UsageError: it is not 8 to 32 lower-case letters and digits.
    """
    if _RUN.fullmatch(text) is None:
        raise UsageError(f"{text!r} cannot name a run")
    return RunId(text)


@dataclass(frozen=True, order=True)
class CaptureName:
    """A capture's name: ordered by sequence, never by date."""

    seq: int
    time: str

    @classmethod
    def at(cls, seq: int, moment: datetime) -> CaptureName:
        """Name the capture with this number and moment (aware, any zone)."""
        return cls(seq, moment.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ"))

    @classmethod
    def parse(cls, text: str) -> CaptureName:
        """Read a name such as 000042-20261125T021503Z.

        Raises:
            UsageError: it is not a capture's name.
        """
        match = _CAPTURE.fullmatch(text)
        if match is None:
            raise UsageError(f"{text!r} is not a capture's name", hint="see `holdstill list`")
        return cls(int(match[1]), match[2])

    def __str__(self) -> str:
        return f"{self.seq:06d}-{self.time}"
