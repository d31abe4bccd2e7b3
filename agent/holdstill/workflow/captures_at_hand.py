"""Captures of a store as they are looked at: judged, and held open, without holding up anybody."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError, UsageError
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names, paths, tree_views
from holdstill.page.capture_view import CaptureShown, Listed
from holdstill.page.place import Place
from holdstill.records.signature_memo import SignatureMemo
from holdstill.workflow import capture_ref
from holdstill.workflow.kept_indexes import KeptIndexes

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.keeper.store import Store
    from holdstill.model.entries import Entry
    from holdstill.model.manifest import CapturedPart, Manifest
    from holdstill.records.index_queries import Index
    from holdstill.system.process import Runner
    from holdstill.workflow.kept_indexes import OpenIndex


@dataclass(frozen=True)
class OpenCapture:
    """A capture without faults, its manifest and its index."""

    stored: StoredCapture
    manifest: Manifest
    index: Index

    def part(self, number: int) -> CapturedPart:
        """Return a part that has files in the index.

        Raises:
            UsageError: there is none of this number.
        """
        for part in self.manifest.parts:
            if part.number == number and part.entries:
                return part
        raise UsageError(f"there are no files of a partition {number} in this capture")

    def entry(self, place: Place) -> Entry:
        """Return what is at a place.

        Raises:
            UsageError: nothing is.
        """
        self.part(place.part)
        found = self.index.get(place.part, place.path)
        if found is None or found.path != place.path:  # such as one with a slash before it
            raise UsageError(f"/{paths.display(place.path)} is not in this capture")
        return found

    def listed(self, part: int, entry: Entry) -> Listed:
        """Return an entry with its place."""
        shown = tree_views.shown(self.part(part).seen, part, entry.path)
        return Listed(Place(part, entry.path), entry, shown)


class CapturesAtHand:
    """The captures of a store. Several threads may ask at once."""

    def __init__(self, store: Store, runner: Runner, folder: Path) -> None:
        """Begin; folder: where indexes are put together, for this process alone."""
        self._store, self._runner = store, runner
        self.folder = folder
        self._verify, self._indexes = SignatureMemo(), KeptIndexes(folder)

    def shelf(self, board: str) -> BoardCaptures:
        """Return the captures of a board.

        Raises:
            UsageError: there is no such board.
        """
        return BoardCaptures(
            self._store, names.check_board(board), self._runner, self._verify, is_waiting=False
        )

    def capture(self, board: str, name: str) -> CaptureShown:
        """Return one capture, also one with faults.

        Raises:
            UsageError: there is none.
        """
        shelf = self.shelf(board)
        briefs = shelf.briefs()
        brief = capture_ref.chosen(briefs, name, board)
        manifest, problem = None, ""
        try:
            manifest = shelf.capture(brief.name).manifest()
        except (HoldstillError, OSError) as error:
            problem = str(error)
        return CaptureShown(brief, manifest, problem, tuple(each.name for each in briefs))

    @contextmanager
    def opened(self, board: str, name: str) -> Iterator[OpenCapture]:
        """Hold a capture without faults open.

        Raises:
            UsageError: there is none.
            SecurityError, VerificationError: it has faults, or cannot be read.
        """
        stored = capture_ref.trusted(self.shelf(board).capture(name))
        manifest = stored.manifest()
        with self._indexes.opened(stored, manifest.index) as index:
            yield OpenCapture(stored, manifest, index)

    @contextmanager
    def lent(self, board: str, name: str) -> Iterator[tuple[StoredCapture, OpenIndex]]:
        """Yield a capture without faults, and what opens its index for a moment.

        Raises: as `opened`.
        """
        stored = capture_ref.trusted(self.shelf(board).capture(name))
        with self._indexes.lent(stored, stored.manifest().index) as open_index:
            yield stored, open_index
