r"""A captured text as a page shows it: line by line, nothing in it steers the page. Pure."""

from __future__ import annotations

import codecs
import re
from io import StringIO

from markupsafe import Markup, escape

from holdstill.model import foreign_text

LIMIT = 256 << 10
"""Bytes of a text that are shown."""
_PIECE = re.compile(r"[\n\t]+|[^\n\t]{1,4096}")
"""What is made fit to be shown at a time: each character takes a hundred times its own memory."""


def is_text(data: bytes, *, is_cut: bool) -> bool:
    """Return whether bytes are UTF-8 without a NUL; but for a last character that is cut."""
    if b"\0" in data:
        return False
    try:
        codecs.getincrementaldecoder("utf-8")().decode(data, final=not is_cut)
    except UnicodeDecodeError:
        return False
    return True


def shown(data: bytes) -> Markup:
    r"""Return the lines of a text, each made printable and escaped; other bytes are \xff.

    What stands in a <pre> may begin with a line break of its own, which counts for nothing (HTML
    Standard, 13.1.2.5): so that one of the text does count.
    """
    made = StringIO("\n")
    made.seek(1)
    for piece in _PIECE.finditer(data.decode(errors="backslashreplace")):
        words = piece[0]
        made.write(words if words[0] in "\n\t" else escape(foreign_text.escaped(words)))
    return Markup(made.getvalue())  # noqa: S704  each piece was escaped
