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
from functools import lru_cache
from typing import TYPE_CHECKING

from holdstill.model import paths, tree_views

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

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
        self._swap_files = swap_files
        self._all = _Patterns(exclude, include)
        # What the owner leaves out is left out wherever it is seen; the defaults are about places.
        own = tuple(pattern for pattern in exclude if pattern not in DEFAULT_EXCLUDES)
        self._own = _Patterns(own, include)
        self._seen, self._hidden = self._divided(views)
        self._views = views
        is_plain = not self._hidden and [view.inside for view in self._seen] == [""]
        self._top = self._seen[0].place.encode().rstrip(b"/") + b"/" if is_plain else b""
        """Before every path of a file system that is seen as a whole, at one place."""
        self._own_right = {view.inside.encode() for view in self._seen}
        """Folders that are walked because they are seen, whatever they are in."""
        self._asked = {
            view: tuple(other for other in self._seen if self._has_say(other, view))
            for view in self._seen
        }
        self._ways = {way for view in self._seen for way in _above(view.inside.encode())}
        about = repr((views, exclude, include, sorted(swap_files)))
        self.fingerprint = hashlib.sha256(about.encode(errors="surrogateescape")).hexdigest()
        """Changes with the rules: an index made under others must be compared as a whole."""

    def _divided(
        self, views: tuple[TreeView, ...]
    ) -> tuple[tuple[TreeView, ...], tuple[TreeView, ...]]:
        """Return the views that have a say, and those at places where all is left out.

        What is mounted at such a place itself, as at /tmp, is meant; unless it is a folder that is
        seen elsewhere.
        """
        choices = {view: self._all.choose(view.place.encode()) for view in views}
        plain = [
            view
            for view in views
            if choices[view] is Choice.WHOLE
            and not any(map(self._own.matches, _deeper(view.place.encode())))
        ]
        seen = tuple(
            view
            for view in views
            if view in plain
            or (
                choices[view] in {Choice.HOLLOW, Choice.WHOLE}
                and tree_views.place_of(plain, view.inside.encode()) is None
            )
        )
        return seen, tuple(view for view in views if view not in seen)

    def choose(self, path: bytes) -> Choice:
        """Decide about a path inside the file system (b"" is its root)."""
        if not path:
            return Choice.WHOLE
        choice = self._chosen(path)
        if choice in {Choice.HOLLOW, Choice.NOTHING} and path in self._ways:
            return Choice.PASSAGE
        if choice is Choice.HOLLOW and not self._is_reached(path):
            return Choice.NOTHING
        return choice

    def _chosen(self, path: bytes) -> Choice:
        """Decide by the places where a path is seen.

        The nearest counts. What the owner leaves out of a folder is left out also where that is
        bound a second time; but a folder that is mounted at a place of its own is there, although
        the place that it was bound from is left out.
        """
        if self._top:
            return self._all.choose(self._top + path)
        view = tree_views.nearest(self._seen, path)
        if view is None:
            return self._choice_of_hidden(path)
        choice = self._choice_at(view, path, self._all)
        for other in self._asked[view]:
            if choice is Choice.WHOLE:
                choice = self._choice_at(other, path, self._own)
        wanted = {self._all.wanted(place) for place in tree_views.places_of(self._seen, path)}
        if Choice.WHOLE in wanted:
            return Choice.WHOLE
        is_way = choice in {Choice.HOLLOW, Choice.NOTHING} and Choice.PASSAGE in wanted
        return Choice.PASSAGE if is_way else choice

    def _has_say(self, other: TreeView, view: TreeView) -> bool:
        """Whether what the owner leaves out of one view is left out of another, too.

        Where all of what the other shows is left out, it is the second sight that is not wanted.
        """
        place = tree_views.place_of((other,), view.inside.encode())
        return (
            place is not None and other != view and not any(map(self._own.matches, _deeper(place)))
        )

    def _choice_of_hidden(self, path: bytes) -> Choice:
        """Decide about what is seen, if at all, at places only where all is left out.

        Of a file system with the root in it all is needed, whatever the owner's words say.
        """
        if any(view.is_root for view in self._seen):
            return Choice.WHOLE
        for view in self._hidden:
            place = tree_views.place_of((view,), path)
            choice = Choice.WHOLE if place is None else self._own.choose(place)
            if choice is not Choice.WHOLE:
                # The folder itself stays: the board mounts it.
                return Choice.HOLLOW if path == view.inside.encode() else choice
        return Choice.WHOLE

    @staticmethod
    def _choice_at(view: TreeView, path: bytes, patterns: _Patterns) -> Choice:
        """Decide by one view only; what it does not show is whole."""
        place = tree_views.place_of((view,), path)
        return Choice.WHOLE if place is None else patterns.choose(place)

    def _is_reached(self, path: bytes) -> bool:
        """Whether the directory that path is in is walked at all, and not only passed through."""
        above = path
        while above := paths.split(above)[0]:
            if self.choose(above) is not Choice.WHOLE:
                return False
            if above in self._own_right:
                break
        return True

    def is_swap_file(self, path: bytes) -> bool:
        """Whether a regular file is in use as swap."""
        return bool(self._swap_files) and not self._swap_files.isdisjoint(
            tree_views.places_of(self._views, path)
        )


class _Patterns:
    """Patterns that leave out, and those that win over them; about places on the board."""

    def __init__(self, exclude: tuple[str, ...], include: tuple[str, ...]) -> None:
        out = [_components(pattern) for pattern in exclude]
        kept = [_components(pattern) for pattern in include]
        hollow = [pattern for pattern in out if _ends_plainly(pattern)]
        dropped = [pattern for pattern in out if not _ends_plainly(pattern)]
        self._hollow = _any_of([_translated(pattern) for pattern in hollow])
        self._out = _any_of([_translated(pattern) + b"(?:/.*)?" for pattern in hollow + dropped])
        self._kept = _any_of([_translated(pattern) + b"(?:/.*)?" for pattern in kept])
        self._passage = _any_of([way for pattern in kept for way in _ways_to(pattern)])

    def wanted(self, place: bytes) -> Choice | None:
        """Return whether an include means a place, or leads through it; None for neither."""
        if self._kept.fullmatch(place):
            return Choice.WHOLE
        return Choice.PASSAGE if self._passage.fullmatch(place) else None

    def matches(self, place: bytes) -> bool:
        """Whether a place is left out."""
        return self.choose(place) in {Choice.HOLLOW, Choice.NOTHING}

    def choose(self, place: bytes) -> Choice:
        """Decide about a place by itself."""
        if not self._out.fullmatch(place) or self._kept.fullmatch(place):
            return Choice.WHOLE
        if self._passage.fullmatch(place):
            return Choice.PASSAGE
        return Choice.HOLLOW if self._hollow.fullmatch(place) else Choice.NOTHING


def _above(path: bytes) -> Iterator[bytes]:
    """Yield the folders that a path is in."""
    while path := paths.split(path)[0]:
        yield path


def leaving_out(place: bytes, exclude: Sequence[str], include: Sequence[str]) -> str | None:
    """Return the pattern that leaves out a folder, or all that is in it; None for none.

    Args:
        place: where the folder is seen.
        exclude: patterns; the first of several counts.
        include: patterns that win over these.
    """
    for pattern in exclude:
        if any(map(_alone(pattern, tuple(include)).matches, _deeper(place))):
            return pattern
    return None


@lru_cache(maxsize=256)
def _alone(pattern: str, include: tuple[str, ...]) -> _Patterns:
    """Return what one pattern leaves out; each is asked about every place."""
    return _Patterns((pattern,), include)


def _deeper(place: bytes) -> tuple[bytes, ...]:
    """Return a folder's place, and places in it of names that only a star means."""
    within = place.rstrip(b"/") + b"/" + _PROBE
    return place, within, within + b"/" + _PROBE


_PROBE = b"\x01.\x01"


def matters_at(pattern: str, place: str) -> bool:
    """Whether a pattern leaves out anything of what is mounted at a place."""
    if pattern.startswith(place.rstrip("/") + "/"):
        return True
    choice = _Patterns((pattern,), ()).choose(place.encode())
    return choice is Choice.HOLLOW or (
        choice is Choice.NOTHING and pattern not in DEFAULT_EXCLUDES
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
