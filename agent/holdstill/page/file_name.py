"""The names that a download suggests. Pure."""

from __future__ import annotations

from urllib.parse import quote

from holdstill.model import portable_name

_LONGEST = 180
"""Characters: a browser adds its own to a name of a file."""


def disposition(name: bytes, *, ending: str = "", is_inline: bool = False) -> str:
    """Return a Content-Disposition that suggests a name (RFC 6266; RFC 8187 for its letters).

    Args:
        name: captured, so it may be anything; never a path.
        ending: of the file, added behind it.
        is_inline: whether a browser may show it.
    """
    text = portable_name.portable(name)[:_LONGEST].lstrip(".") or "file"
    plain = "".join(
        c if c.isascii() and c.isalnum() else "_" if c not in "-." else c for c in text
    )
    kind = "inline" if is_inline else "attachment"
    # RFC 8187, 3.2.1: attr-char is among what quote() leaves.
    return (
        f"{kind}; filename=\"{plain}{ending}\"; filename*=UTF-8''{quote(text + ending, safe='')}"
    )
