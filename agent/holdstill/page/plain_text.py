r"""A captured text as a page shows it: line by line, nothing in it steers the page. Pure."""

from __future__ import annotations

import codecs

from markupsafe import Markup, escape

from holdstill.model import foreign_text

LIMIT = 256 << 10
"""Bytes of a text that are shown."""


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
    lines = (
        Markup("\t").join(escape(foreign_text.escaped(cell)) for cell in line.split(b"\t"))
        for line in data.split(b"\n")
    )
    return Markup("\n") + Markup("\n").join(lines)
