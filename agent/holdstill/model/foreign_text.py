r"""Text from elsewhere, made fit to be shown: the one function for it.

A board, a card, a keeper, a program or a file may say anything. Where its words leave us, for a
terminal, a log, a message or a page, they go through `printable`: nothing in them steers the
reader's screen, hides or reorders what stands beside them, begins a line of its own, or is
endless. What is printed already stays as it is, so a text may pass twice.
"""

from __future__ import annotations

import re

LONGEST = 4096
"""Characters of one shown text: as much as a path may have."""
LINES_MOST = 60
"""Lines of one shown error."""
_ELLIPSIS = "..."

_INVISIBLE = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0"
    "\U000e0100-\U000e01ef]"
)
"""Characters that print as nothing although they are letters or marks: those of Unicode's
Default_Ignorable_Code_Point that str.isprintable() lets pass, and the blank Braille pattern
(from memory; tests/unit/model compares)."""


def printable(text: str | bytes, *, longest: int = LONGEST) -> str:
    r"""Return one line of text that can do no harm, and is not endless.

    Control characters, line breaks, format characters (bidirectional ones, zero-width ones),
    surrogates and unassigned ones are written as \x1b, \n, \u202e; bytes that are not UTF-8, also
    those in a name that Python decoded, as \xff.
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
    if words.isprintable() and _INVISIBLE.search(words) is None:
        return words
    return "".join(map(_visible, words))


def _decoded(text: str | bytes) -> str:
    return text.decode(errors="backslashreplace") if isinstance(text, bytes) else text


def _visible(character: str) -> str:
    if character.isprintable() and _INVISIBLE.match(character) is None:
        return character
    if "\udc80" <= character <= "\udcff":  # a byte, as os.fsdecode hands it over (PEP 383)
        return f"\\x{ord(character) - 0xDC00:02x}"
    return character.encode("unicode_escape").decode()
