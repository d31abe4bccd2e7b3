"""Patterns of paths as glob(7) has them, on bytes.

`*` and `?` stop at a slash, `[...]` is a set of bytes with ranges, `!` or `^` before it is its
complement, and a backslash takes the next byte for itself. Sets such as [[:alpha:]] are not known.
A period at the beginning of a name is like any other byte.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from re import Pattern

_TOKEN = re.compile(rb"\*+|\?|\[[!^]?\]?[^\]/]*\]|\\.|.", re.DOTALL)
_WILD = frozenset(b"*?[\\")


def literal(pattern: bytes) -> bytes | None:
    """Return the only path that a pattern means; None where it may mean several."""
    tokens = _TOKEN.findall(pattern)
    if any(token[:1] in {b"*", b"?"} or (token[:1] == b"[" and token[1:]) for token in tokens):
        return None
    return b"".join(map(_byte, tokens))


def escaped(path: bytes) -> bytes:
    """Return the pattern that means this path only."""
    return re.sub(rb"([*?\[\\])", rb"\\\1", path)


def folder_of(pattern: bytes) -> bytes:
    """Return the deepest folder that everything a pattern of absolute paths means is below."""
    first = min(at for at, byte in enumerate(pattern + b"*") if byte in _WILD)
    return pattern[:first].rpartition(b"/")[0] or b"/"


def compiled(pattern: bytes) -> Pattern[bytes]:
    """Return what matches, by `fullmatch`, the paths that a pattern means.

    Its time grows with the length of the path and that of the pattern, and no faster: what is
    between two stars is taken where it comes first, and never looked for again. No other place
    would do better, since a star stops at a slash.
    """
    runs: list[list[bytes]] = [[]]
    for token in _TOKEN.findall(pattern):
        if token.startswith(b"*"):
            runs.append([])
        else:
            runs[-1].append(_translated(token))
    first, *others = map(b"".join, runs)
    between = (b"(?>[^/]*?" + run + b")" for run in others[:-1])
    last = b"[^/]*" + others[-1] if others else b""
    return re.compile(first + b"".join(between) + last, re.DOTALL)


def _translated(token: bytes) -> bytes:
    if token == b"?":
        return b"[^/]"
    if token.startswith(b"[") and len(token) > 1:
        return _set(token[1:-1])
    return re.escape(_byte(token))


def _byte(token: bytes) -> bytes:
    """Return what a token means that stands for itself, or has a backslash before it."""
    return token[1:] if token.startswith(b"\\") and len(token) > 1 else token


def _set(inside: bytes) -> bytes:
    is_complement = inside[:1] in {b"!", b"^"}
    wanted = _members(inside[1:] if is_complement else inside) - {ord("/")}
    found = set(range(256)) - wanted - {ord("/")} if is_complement else wanted
    if not found:
        return b"(?!)"
    return b"[" + b"".join(b"\\x%02x" % member for member in sorted(found)) + b"]"


def _members(inside: bytes) -> set[int]:
    """Return the bytes that a set names; a range that runs backwards has none."""
    found: set[int] = set()
    at = 0
    while at < len(inside):
        if inside[at + 1 : at + 2] == b"-" and at + 2 < len(inside):
            found.update(range(inside[at], inside[at + 2] + 1))
            at += 3
        else:
            found.add(inside[at])
            at += 1
    return found
