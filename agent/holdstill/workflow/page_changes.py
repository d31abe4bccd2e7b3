"""What the keeper's page shows of the differences between two captures of a board."""

from __future__ import annotations

from collections import OrderedDict
from contextlib import ExitStack
from threading import Lock
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import BusyError, UsageError
from holdstill.model import paths
from holdstill.model.foreign_text import printable
from holdstill.page.capture_view import ChangeList, ChangeShown, ChangesShown, PartChanges
from holdstill.page.place import Place
from holdstill.workflow import compare, compare_entries, compare_sources
from holdstill.workflow.compare_entries import ChangeKind, CompareOptions

if TYPE_CHECKING:
    from holdstill.workflow.captures_at_hand import CapturesAtHand, OpenCapture
    from holdstill.workflow.compare_sources import CapturedSource

SHOWN = 200
"""Changes of one page."""
PACKAGES_SHOWN = 500
"""Packages that are shown, and remembered; more are counted."""
COMPARED = 50_000
"""Paths that are compared for one page of them."""
_REMEMBERED = 16


class PageChanges:
    """Differences between captures of a store. Several threads may ask at once."""

    def __init__(self, captures: CapturesAtHand) -> None:
        self._captures = captures
        self._comparing = Lock()
        self._known: OrderedDict[tuple[str, str, str], ChangesShown] = OrderedDict()

    def changes(self, board: str, name: str, other: str) -> ChangesShown:
        """Return what differs from the older to the newer of two captures.

        Raises:
            UsageError: there is no such capture, or it is the same one.
            BusyError: two are being compared for somebody else.
        """
        with ExitStack() as undo:
            older, newer = self._both(undo, board, name, other)
            key = (board, older.manifest.index.sha256, newer.manifest.index.sha256)
            if key in self._known:
                return self._known[key]
            if not self._comparing.acquire(blocking=False):
                raise BusyError(
                    "captures are being compared for somebody else", hint="try again soon"
                )
            try:
                found = _compared(older, newer)
            finally:
                self._comparing.release()
        self._known[key] = found
        while len(self._known) > _REMEMBERED:
            self._known.popitem(last=False)
        return found

    def listed(self, board: str, name: str, other: str, after: Place) -> ChangeList:
        """Return some of what differs on the part of a place, behind it.

        Raises:
            UsageError: there is no such capture or part.
        """
        with ExitStack() as undo:
            older, newer = self._both(undo, board, name, other)
            sides = [_side(held) for held in (older, newer)]
            part = sides[1].part(after.part) or sides[0].part(after.part)
            if part is None:
                raise UsageError("there are no files of such a partition in these captures")
            begin = paths.split(after.path)
            found = compare_entries.stretch(
                part,
                sides[0].index.entries_after(after.part, begin),
                sides[1].index.entries_after(after.part, begin),
                CompareOptions(SHOWN, frozenset({ChangeKind.TIME})),
                most=COMPARED,
            )
        return ChangeList(
            str(older.stored.name),
            str(newer.stored.name),
            after.part,
            tuple(
                ChangeShown(
                    **msgspec.structs.asdict(change),
                    place=Place(after.part, path),
                )
                for path, change in found.changes
            ),
            None if found.last is None else Place(after.part, found.last),
        )

    def _both(
        self, undo: ExitStack, board: str, name: str, other: str
    ) -> tuple[OpenCapture, OpenCapture]:
        """Open two captures, the older one first."""
        held = [undo.enter_context(self._captures.opened(board, each)) for each in (name, other)]
        older, newer = sorted(held, key=lambda each: each.manifest.seq)
        if older.stored.name == newer.stored.name:
            raise UsageError("a capture does not differ from itself", hint="choose another one")
        return older, newer


def _side(held: OpenCapture) -> CapturedSource:
    return compare_sources.of_index(held.stored, held.manifest, held.index)


def _compared(older: OpenCapture, newer: OpenCapture) -> ChangesShown:
    found = compare.compare(_side(older), _side(newer), CompareOptions(listed=0))
    return ChangesShown(
        before=str(older.stored.name),
        after=str(newer.stored.name),
        card=found.card,
        parts=tuple(
            PartChanges(part.number, part.place, part.counts, part.bytes_before, part.bytes_after)
            for part in found.parts
        ),
        packages=None
        if found.packages is None
        else tuple(
            (printable(each.name), printable(each.before), printable(each.after))
            for each in found.packages[:PACKAGES_SHOWN]
        ),
        more_packages=max(0, len(found.packages or ()) - PACKAGES_SHOWN),
        not_compared=(*found.troubles, *found.not_compared),
    )
