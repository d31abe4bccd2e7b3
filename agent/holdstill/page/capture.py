"""A capture's pages: its manifest, its files as folders, a search by name, a file's versions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import UsageError
from holdstill.model import attachment_names, file_system_words, tree_views
from holdstill.model.entries import EntryType
from holdstill.page import entry_words, picture, place
from holdstill.page.place import Place
from holdstill.page.roles import Role
from holdstill.page.visit import Page, Turn

if TYPE_CHECKING:
    from starlette.responses import Response

    from holdstill.page.capture_view import CaptureView
    from holdstill.page.visit import Visit

CAPTURE = "/boards/{board}/{capture}"
PATTERN_MOST = 1000
"""Characters: a longer one takes seconds and much memory to be understood."""


@dataclass(frozen=True)
class CapturePages:
    """The pages of captures, for who may look."""

    captures: CaptureView

    @property
    def pages(self) -> tuple[Page, ...]:
        """All of them."""
        return (
            Page(CAPTURE, self.shown, turn=Turn.READING),
            Page(f"{CAPTURE}/files", self.place, turn=Turn.READING),
            Page(f"{CAPTURE}/search", self.search, turn=Turn.HEAVY),
            Page(f"{CAPTURE}/versions", self.versions, turn=Turn.HEAVY),
        )

    def shown(self, visit: Visit) -> Response:
        """Show the manifest."""
        found = self.captures.capture(visit.place["board"], visit.place["capture"])
        return visit.page(
            "capture.html", board=visit.place["board"], capture=found.brief.name, found=found,
            words=tree_views.words, top=lambda number: Place(number, b""),
            area=attachment_names.words, kind=file_system_words.of,
            may_make=visit.may(Role.IMAGES),
        )  # fmt: skip

    def place(self, visit: Visit) -> Response:
        """Show a folder, or a file."""
        where = Place.of_query(visit.query)
        found = self.captures.at(*_capture(visit), where, place.raw(visit.query, "after"))
        is_folder = found.here.entry.type is EntryType.DIRECTORY
        return visit.page(
            "folder.html" if is_folder else "file.html", names=_capture(visit), found=found,
            words=entry_words, asked=place.asked, may_take=visit.may(Role.FILES),
            picture_most=picture.SIZE_MOST,
        )  # fmt: skip

    def search(self, visit: Visit) -> Response:
        """Show what has a name."""
        pattern = place.raw(visit.query, "name").decode(errors="surrogateescape").strip()
        if len(pattern) > PATTERN_MOST:
            raise UsageError(f"a pattern has {PATTERN_MOST} characters at most here")
        after = Place.of_query(visit.query) if "part" in visit.query else None
        found = self.captures.search(*_capture(visit), pattern, after) if pattern else None
        return visit.page(
            "search.html", names=_capture(visit), pattern=pattern, found=found, words=entry_words,
            asked=place.asked, raw=place.raw(visit.query, "name"),
        )  # fmt: skip

    def versions(self, visit: Visit) -> Response:
        """Show the versions of a path."""
        where = Place.of_query(visit.query)
        found = self.captures.versions(*_capture(visit), where)
        return visit.page(
            "versions.html", names=_capture(visit), where=where, found=found, words=entry_words,
            may_take=visit.may(Role.FILES),
        )  # fmt: skip


def _capture(visit: Visit) -> tuple[str, str]:
    return visit.place["board"], visit.place["capture"]
