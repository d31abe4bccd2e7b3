r"""Text from elsewhere, made fit to be shown: the one function for it.

A board, a card, a keeper, a program or a file may say anything. Where its words leave us, for a
terminal, a log, a message or a page, they go through `printable`: nothing in them steers the
reader's screen, hides or reorders what stands beside them, begins a line of its own, or is
endless. What is printed already stays as it is, so a text may pass twice.
"""

from __future__ import annotations

import re
import unicodedata
from enum import Enum
from itertools import groupby

LONGEST = 4096
"""Characters of one shown text: as much as a path may have."""
LINES_MOST = 60
"""Lines of one shown error."""
MARKS_MOST = 30
"""Combining marks after one letter: a stream-safe text has no more non-starters in a row (Unicode
Standard Annex #15, 13, Stream-Safe Text Format)."""
_ELLIPSIS = "..."

_INVISIBLE = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0"
    "\U000e0100-\U000e01ef]"
)
"""Characters that print as nothing although they are letters or marks: those of Unicode's
Default_Ignorable_Code_Point (DerivedCoreProperties.txt) that str.isprintable() lets pass, and the
blank Braille pattern."""


_RIGHT_TO_LEFT = frozenset({"R", "AL", "AN"})
"""Bidirectional classes that turn the order of what stands beside them (Unicode Standard Annex #9,
3.2, table 4). Escaped and not isolated: an isolate is a control character, which a terminal may
not know."""


def printable(text: str | bytes, *, longest: int = LONGEST) -> str:
    r"""Return one line of text that can do no harm, and is not endless.

    Control characters, line breaks, format characters (bidirectional ones, zero-width ones),
    surrogates and unassigned ones are written as \x1b, \n, \u202e; so are letters of a script that
    runs from right to left, and combining marks beyond those that one letter can have; bytes that
    are not UTF-8, also those in a name that Python decoded, as \xff.
    """
    shown = escaped(text)
    return shown if len(shown) <= longest else shown[: longest - len(_ELLIPSIS)] + _ELLIPSIS


def printable_lines(text: str | bytes) -> list[str]:
    """Return the lines of a text, each printable; of very many, the first and their number.

    All but the first are indented: whoever puts a line break into what he says cannot begin a
    line that passes for ours.
    """
    first, *others = _decoded(text).split("\n")
    shown = [printable(first), *map(_continued, others[: LINES_MOST - 1])]
    left = 1 + len(others) - len(shown)
    return [*shown, f"  and {left:,} more lines"] if left else shown


def _continued(line: str) -> str:
    return printable(line) if line.startswith("  ") or not line else "  " + printable(line)


def escaped(text: str | bytes) -> str:
    """Return text with everything written out that is not simply visible; of any length."""
    words = _decoded(text)
    if words.isascii() and words.isprintable():
        return words
    return "".join(
        "".join(map(_visible, run)) if kind is _Kind.PLAIN else _marks("".join(run))
        for kind, run in groupby(words, _kind)
    )


class _Kind(Enum):
    PLAIN = 0
    MARK = 1
    """It is drawn over, below or around the letter before it."""


def _kind(character: str) -> _Kind:
    is_mark = unicodedata.category(character) in {"Mn", "Me"}
    return _Kind.MARK if is_mark else _Kind.PLAIN


def _marks(run: str) -> str:
    """Return marks in a row: as many as a letter can have, the others written out."""
    return "".join(map(_visible, run[:MARKS_MOST])) + "".join(map(_written_out, run[MARKS_MOST:]))


def _decoded(text: str | bytes) -> str:
    return text.decode(errors="backslashreplace") if isinstance(text, bytes) else text


def _visible(character: str) -> str:
    is_visible = character.isprintable() and _INVISIBLE.match(character) is None
    if is_visible and unicodedata.bidirectional(character) not in _RIGHT_TO_LEFT:
        return character
    return _written_out(character)


def _written_out(character: str) -> str:
    if "\udc80" <= character <= "\udcff":  # a byte, as os.fsdecode hands it over (PEP 383)
        return f"\\x{ord(character) - 0xDC00:02x}"
    return character.encode("unicode_escape").decode()
