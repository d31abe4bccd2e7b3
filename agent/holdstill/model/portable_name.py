r"""File names that may go to any system. Pure.

A captured name may be any bytes but / and NUL. A backslash or a colon in one is a path, or a
stream, on Windows; a name that ends in a period is another file there; a control character does
things to terminals. Such characters are written as %5C: unlike names stay unlike.

What Windows takes otherwise: Microsoft, "Naming Files, Paths, and Namespaces" (from memory).
"""

from __future__ import annotations

import re
import unicodedata

_TAKEN = frozenset('<>:"|?*\\/')
_DEVICE = re.compile(
    r"(?i)(con|prn|aux|nul|conin\$|conout\$|com[0-9¹²³]|lpt[0-9¹²³])(?=\s*(?:\.|$))"
)
_HEX = re.compile(r"%(?=[0-9A-Fa-f]{2})")
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Categories of characters that are not simply seen: control and bidirectional ones among them."""


def portable(name: bytes) -> str:
    """Return a name that means one file in one folder, on any system; most stay as they are."""
    text = _HEX.sub("%25", name.decode(errors="surrogateescape"))
    written = "".join(_written_out(c) if _is_odd(c) else c for c in text)
    if written[-1:] in {".", " "}:
        written = written[:-1] + f"%{ord(written[-1]):02X}"
    if _DEVICE.match(written):
        written = f"%{ord(written[0]):02X}{written[1:]}"
    return written


def portable_path(path: bytes) -> str:
    """Return a relative path, each of its names made so."""
    return "/".join(map(portable, path.split(b"/")))


def _is_odd(character: str) -> bool:
    return character in _TAKEN or unicodedata.category(character) in _UNSEEN


def _written_out(character: str) -> str:
    raw = character.encode(errors="surrogateescape")
    return "".join(f"%{byte:02X}" for byte in raw)
