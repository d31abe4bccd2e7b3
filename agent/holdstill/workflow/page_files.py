"""What the keeper's page shows of one capture: its manifest, its files, and their versions."""

from __future__ import annotations

import os
from threading import Lock
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from holdstill.errors import BusyError
from holdstill.model import paths, tree_views
from holdstill.model.entries import NO_XATTRS, EntryType
from holdstill.page.capture_view import PlaceShown, SearchShown, VersionShown, VersionsShown
from holdstill.page.place import Place
from holdstill.records.index_series import IndexSeries
from holdstill.system import work_folder
from holdstill.workflow import capture_ref, find, unlisted_files
from holdstill.workflow.find import PathWish

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.page.capture_view import CaptureShown, Listed
    from holdstill.workflow.captures_at_hand import CapturesAtHand, OpenCapture

SHOWN = 200
"""Entries of one page."""
LOOKED = 100_000
"""Names that are looked at for one page of a search."""
CAPTURES = 100
"""Captures, the newest, that are looked through for versions."""


class PageFiles:
    """The files of a store's captures, for looking at. Several threads may ask at once."""

    def __init__(self, captures: CapturesAtHand) -> None:
        self._captures = captures
        self._looking = Lock()

    def capture(self, board: str, name: str) -> CaptureShown:
        """Return one capture.

        Raises:
            UsageError: there is none.
        """
        return self._captures.capture(board, name)

    def at(self, board: str, name: str, place: Place, after: bytes) -> PlaceShown:
        """Return a place; of a folder what is in it behind a name.

        Raises:
            UsageError: there is none.
        """
        with self._captures.opened(board, name) as held:
            entry = held.entry(place)
            here, trail = held.listed(place.part, entry), tuple(_trail(place))
            if entry.type is not EntryType.DIRECTORY:
                return PlaceShown(here, trail)
            found = held.index.listed_after(place.part, place.path, after=after, limit=SHOWN + 1)
            return PlaceShown(
                here,
                trail,
                entries=tuple(held.listed(place.part, each) for each in found[:SHOWN]),
                more=found[SHOWN - 1].name if len(found) > SHOWN else b"",
                below=tuple(_below(held, here)),
            )

    def search(self, board: str, name: str, pattern: str, after: Place | None) -> SearchShown:
        """Return some of what a pattern means, behind a place.

        Raises:
            UsageError: that is no pattern.
        """
        wish = PathWish.parse(pattern)
        with self._captures.opened(board, name) as held:
            unlisted = unlisted_files.may_have(held.manifest, wish.pattern)
            notes = tuple(unlisted_files.why(held.manifest, part) for part in unlisted)
            found: list[Listed] = []
            looked = 0
            for place in _places(held, wish, after):
                looked += 1
                if place.is_meant:
                    entry = held.entry(Place(*place[:2]))
                    # Of many entries, hostile ones would be long.
                    found.append(held.listed(place.part, entry._replace(xattrs=NO_XATTRS)))
                if len(found) == SHOWN or looked == LOOKED:
                    return SearchShown(tuple(found), looked, Place(*place[:2]), notes)
        return SearchShown(tuple(found), looked, None, notes)

    def versions(self, board: str, name: str, place: Place) -> VersionsShown:
        """Return the versions of a path over the newest captures of the board.

        Raises:
            BusyError: somebody else has them looked through.
            UsageError: there is no such path in this capture.
        """
        with self._captures.opened(board, name) as held:
            shown = held.listed(place.part, held.entry(place)).shown
        if not self._looking.acquire(blocking=False):
            raise BusyError(
                "captures are being looked through for somebody else", hint="try again soon"
            )
        try:
            return self._versions(board, place, shown)
        finally:
            self._looking.release()

    def _versions(self, board: str, place: Place, shown: str) -> VersionsShown:
        shelf = self._captures.shelf(board)
        names = [brief.name for brief in shelf.briefs()]
        wish = PathWish.of_place(place.part, place.path)
        with work_folder.made() as folder:
            found = find.find(
                map(shelf.capture, names[-CAPTURES:]), wish, IndexSeries(folder / "index")
            )
        versions = (version for path in found.paths for version in path.versions)
        return VersionsShown(
            shown,
            tuple(VersionShown(**msgspec.structs.asdict(version)) for version in versions),
            captures=found.captures,
            troubles=found.troubles,
            is_cut=len(names) > CAPTURES,
        )


class _Seen(NamedTuple):
    """A path that was looked at."""

    part: int
    path: bytes
    is_meant: bool


def _places(held: OpenCapture, wish: PathWish, after: Place | None) -> Iterator[_Seen]:
    """Yield the paths of a capture behind a place, and whether they are meant."""
    for part in sorted(held.manifest.parts, key=lambda part: part.number):
        if not part.entries or (after and part.number < after.part):
            continue
        is_begun = after is not None and after.part == part.number
        begin = paths.split(after.path) if after and is_begun else (b"", b"")
        if wish.is_one_path:
            for entry in wish.entries(held.index, part.number, part.seen):
                if entry[:2] > begin or not is_begun:
                    yield _Seen(part.number, entry.path, is_meant=True)
            continue
        is_meant = wish.within(part.number, part.seen)
        for key in held.index.keys_after(part.number, begin, LOOKED):
            yield _Seen(part.number, paths.join(*key), is_meant(*key))


def _trail(place: Place) -> Iterator[tuple[bytes, Place]]:
    """Yield the folders that a place is in, from the top of its file system on."""
    if place.path:
        yield b"", Place(place.part, b"")
    steps = place.path.split(b"/")
    for count in range(1, len(steps)):
        yield steps[count - 1], Place(place.part, b"/".join(steps[:count]))


def _below(held: OpenCapture, here: Listed) -> Iterator[tuple[str, Place]]:
    """Yield where other file systems were mounted in a folder, and their tops."""
    seen = tree_views.place_of(held.part(here.place.part).seen, here.place.path)
    if seen is None:
        return
    for shown in capture_ref.below(held.manifest, os.fsdecode(seen)):
        found = unlisted_files.nearest(held.manifest, shown)
        if found is not None:
            yield shown, Place(found[0].number, found[1])
