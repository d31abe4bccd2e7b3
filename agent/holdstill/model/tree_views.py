"""Which folders of a file system a system sees, and where. Pure.

Of most file systems that is the top, at one place. On a board whose / is a folder of a partition,
for one of several systems on it, it is that folder, and perhaps others.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.model import paths
from holdstill.model.layout import Record

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

MOST = 32
"""Views of a file system that are kept; a machine with containers may have hundreds."""


class TreeView(Record, frozen=True, kw_only=True):
    """One folder that is seen.

    Attributes:
        inside: its path from the top, without a slash at its beginning; "" is the top.
        place: where it is seen from the board's root, such as / or /var.
    """

    inside: str
    place: str

    @property
    def is_root(self) -> bool:
        """Whether it is what the system sees as /."""
        return self.place == "/"


def at_top(place: str) -> tuple[TreeView, ...]:
    """Return the view of a file system that is seen as a whole; none for one seen nowhere ("")."""
    return (TreeView(inside="", place=place),) if place else ()


def is_within(path: bytes, top: bytes) -> bool:
    """Whether a path of a file system is that of a folder, or below it; b"" is the top."""
    return not top or path == top or path.startswith(top + b"/")


def nearest(views: Sequence[TreeView], path: bytes) -> TreeView | None:
    """Return the view of the deepest folder that a path is in; None where it is not seen.

    That folder is nearest to what people mean by the path.
    """
    within = [view for view in views if is_within(path, view.inside.encode())]
    return max(within, key=lambda view: len(view.inside), default=None)


def place_of(views: Sequence[TreeView], path: bytes) -> bytes | None:
    """Return where the nearest view shows a path, as an absolute path; None for nowhere."""
    view = nearest(views, path)
    if view is None:
        return None
    rest, place = path[len(view.inside.encode()) :].strip(b"/"), view.place.encode()
    return place.rstrip(b"/") + b"/" + rest if rest else place


def places_of(views: Sequence[TreeView], path: bytes) -> Iterator[bytes]:
    """Yield every place where a path of a file system is seen."""
    for view in views:
        place = place_of((view,), path)
        if place is not None:
            yield place


def showing(views: Sequence[TreeView], place: str) -> tuple[TreeView, bytes] | None:
    """Return the view that shows a place, and the place's path in the file system; or None.

    Args:
        views: of one file system.
        place: an absolute path on the board.
    """
    wanted, found = place.encode(errors="surrogateescape").strip(b"/"), None
    for view in views:
        top = view.place.encode().strip(b"/")
        if is_within(wanted, top) and (found is None or len(view.place) > len(found.place)):
            found = view
    if found is None:
        return None
    rest = wanted[len(found.place.encode().strip(b"/")) :].strip(b"/")
    inside = found.inside.encode()
    return found, paths.join(inside, rest) if rest else inside


def shown(views: Sequence[TreeView], number: int, path: bytes) -> str:
    """Write a path for people, as `holdstill get` takes it.

    That is N:/path for what is seen nowhere, or is below a place where another folder is seen.
    """
    place = place_of(views, path)
    there = showing(views, place.decode(errors="surrogateescape")) if place is not None else None
    if place is None or (there is not None and there[1] != path):
        return f"{number}:/{paths.display(path)}"
    return paths.display(place)


def root_folder(views: Sequence[TreeView]) -> str:
    """Return the folder that is seen as /; "" where that is the top, or no folder is."""
    return next((view.inside for view in views if view.is_root), "")


def words(views: Sequence[TreeView]) -> str:
    """Return the places, for a table; "" for none."""
    return ", ".join(view.place for view in views)
