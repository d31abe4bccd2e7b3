"""What of a file system is captured: pure decisions over paths.

Patterns are absolute paths on the board; `*`, `?` and `[...]` match inside one component as in a
shell (leading dots are not special), `**` matches any number of components. A pattern that ends
in a plain name keeps a directory of that name, empty: programs expect /tmp to be there. One that
ends in a wildcard leaves out what it matches. Where an include matches, no exclude counts.
"""

from __future__ import annotations

import hashlib
import re
from enum import Enum
from typing import TYPE_CHECKING

from holdstill.model import paths, tree_views

if TYPE_CHECKING:
    from holdstill.model.tree_views import TreeView

DEFAULT_EXCLUDES = (
    "/tmp",  # noqa: S108  a pattern, not a file of ours
    "/var/tmp",  # noqa: S108
    "/run",
    "/var/cache/apt/archives/*.deb",
    "/var/cache/apt/archives/partial/*",
    "/var/cache/apt/*.bin",
    "/var/cache/dnf/*",
    "/var/cache/pacman/pkg/*",
    "/var/cache/apk/*",
)
"""Contents that are not needed: gone after a boot, or can be fetched again."""


class Choice(Enum):
    """What becomes of one path."""

    WHOLE = "whole"
    """Kept, with what is below it."""
    PASSAGE = "passage"
    """A directory that is kept because something below it is included."""
    HOLLOW = "hollow"
    """A directory that is kept empty; symlinks are kept, too. Other files are left out."""
    NOTHING = "nothing"
    """Left out."""


_AT_ROOT = tree_views.at_top("/")


class PathFilter:
    """Decides about the paths of one file system."""

    def __init__(
        self,
        *,
        exclude: tuple[str, ...] = DEFAULT_EXCLUDES,
        include: tuple[str, ...] = (),
        swap_files: frozenset[bytes] = frozenset(),
        views: tuple[TreeView, ...] = _AT_ROOT,
    ) -> None:
        """Prepare the decisions.

        Args:
            exclude: patterns; all of them, the defaults are not added.
            include: patterns that win over these.
            swap_files: absolute paths of swap files; their contents stay out.
            views: where the file system is seen on the board; no pattern is about what is not.
        """
        self._views = views
        self._swap_files = swap_files
        out = [_components(pattern) for pattern in exclude]
        kept = [_components(pattern) for pattern in include]
        hollow = [pattern for pattern in out if _ends_plainly(pattern)]
        dropped = [pattern for pattern in out if not _ends_plainly(pattern)]
        self._hollow = _any_of([_translated(pattern) for pattern in hollow])
        self._out = _any_of([_translated(pattern) + b"(?:/.*)?" for pattern in hollow + dropped])
        self._kept = _any_of([_translated(pattern) + b"(?:/.*)?" for pattern in kept])
        self._passage = _any_of([way for pattern in kept for way in _ways_to(pattern)])
        about = repr((views, exclude, include, sorted(swap_files)))
        self.fingerprint = hashlib.sha256(about.encode(errors="surrogateescape")).hexdigest()
        """Changes with the rules: an index made under others must be compared as a whole."""

    def choose(self, path: bytes) -> Choice:
        """Decide about a path inside the file system (b"" is its root)."""
        if not path:
            return Choice.WHOLE
        place = tree_views.place_of(self._views, path)
        if place is None:
            return Choice.WHOLE
        if not self._out.fullmatch(place) or self._kept.fullmatch(place):
            return Choice.WHOLE
        if self._passage.fullmatch(place):
            return Choice.PASSAGE
        if self._hollow.fullmatch(place) and self._is_reached(path):
            return Choice.HOLLOW
        return Choice.NOTHING

    def _is_reached(self, path: bytes) -> bool:
        """Whether the directory that path is in is walked at all, and not only passed through."""
        above = path
        while above := paths.split(above)[0]:
            if self.choose(above) is not Choice.WHOLE:
                return False
        return True

    def is_swap_file(self, path: bytes) -> bool:
        """Whether a regular file is in use as swap."""
        return bool(self._swap_files) and (
            tree_views.place_of(self._views, path) in self._swap_files
        )


def _components(pattern: str) -> tuple[bytes, ...]:
    parts = pattern.encode(errors="surrogateescape").split(b"/")
    return tuple(part for part in parts if part) or (b"**",)  # "/" is everything


_WILD = re.compile(rb"[*?\[]")


def _ends_plainly(pattern: tuple[bytes, ...]) -> bool:
    return bool(pattern) and not _WILD.search(pattern[-1])


def _translated(pattern: tuple[bytes, ...]) -> bytes:
    """Return a regular expression for absolute paths."""
    *above, last = pattern
    parts = [b"(?:/[^/]+)*" if part == b"**" else b"/" + _part(part) for part in above]
    # At the end, two stars are what is below, not the directory itself.
    return b"".join(parts) + (b"(?:/[^/]+)+" if last == b"**" else b"/" + _part(last))


_TOKEN = re.compile(rb"\*+|\?|\[!?\]?[^\]]*\]|.", re.DOTALL)


def _part(part: bytes) -> bytes:
    return b"".join(_token(match[0]) for match in _TOKEN.finditer(part))


def _token(token: bytes) -> bytes:
    if token.startswith(b"*"):
        return b"[^/]*"
    if token == b"?":
        return b"[^/]"
    if len(token) > 1:
        inside = token[1:-1]
        negated = inside.startswith(b"!")
        listed = re.sub(rb"([\\\[\]^&~|])", rb"\\\1", inside[1:] if negated else inside)
        return b"[^/%b]" % listed if negated else b"(?!/)[%b]" % listed
    return re.escape(token)


def _ways_to(pattern: tuple[bytes, ...]) -> list[bytes]:
    """Return regular expressions for the directories on the way to what a pattern matches."""
    ways = []
    for length in range(1, len(pattern)):
        ways.append(_translated(pattern[:length]))
        if pattern[length - 1] == b"**":
            break  # it matches every directory from here on
    return ways


def _any_of(expressions: list[bytes]) -> re.Pattern[bytes]:
    # (?!) never matches.
    return re.compile(b"|".join(expressions) if expressions else rb"(?!)", re.DOTALL)
