"""Contents of captured files: looked at on a page, or taken out. Only for who may have them.

Whatever they are, they come with a policy that lets nothing in them run or be loaded (guard.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import UsageError
from holdstill.page import entry_words, file_name, picture, plain_text
from holdstill.page.capture import CAPTURE
from holdstill.page.place import Place
from holdstill.page.roles import Role
from holdstill.page.streamed import Streamed
from holdstill.page.visit import Page, Turn

if TYPE_CHECKING:
    from starlette.responses import Response

    from holdstill.model.entries import Entry
    from holdstill.page.capture_view import ContentView
    from holdstill.page.picture import Picture
    from holdstill.page.visit import Visit

ARCHIVES = {"tar": "application/x-tar", "zip": "application/zip"}
_PICTURE_HEAD = 1 << 20
"""Bytes in which a picture says how large it is: before that, a camera may tell much."""


@dataclass(frozen=True)
class ContentPages:
    """The pages on which contents are looked at, and the addresses at which they are."""

    contents: ContentView

    @property
    def pages(self) -> tuple[Page, ...]:
        """All of them."""
        views = {
            "text": self.text, "picture": self.picture, "picture/bytes": self.picture_bytes,
            "file": self.file, "archive": self.archive,
        }  # fmt: skip
        return tuple(
            Page(f"{CAPTURE}/{path}", view, role=Role.FILES, turn=Turn.HEAVY)
            for path, view in views.items()
        )

    def text(self, visit: Visit) -> Response:
        """Show the beginning of a file as text."""
        board, capture = visit.place["board"], visit.place["capture"]
        where = Place.of_query(visit.query)
        entry, data = self.contents.head(board, capture, where, plain_text.LIMIT)
        is_cut = entry.size > len(data)
        return visit.page(
            "text.html", board=board, capture=capture, where=where, entry=entry,
            text=plain_text.shown(data), shown=len(data), is_cut=is_cut,
            is_text=plain_text.is_text(data, is_cut=is_cut), words=entry_words,
        )  # fmt: skip

    def picture(self, visit: Visit) -> Response:
        """Show a picture on a page of its own."""
        where = Place.of_query(visit.query)
        entry, found = self._picture(visit, where)
        return visit.page(
            "picture.html", board=visit.place["board"], capture=visit.place["capture"],
            where=where, entry=entry, found=found,
        )  # fmt: skip

    def picture_bytes(self, visit: Visit) -> Response:
        """Send a picture as that, and as nothing else."""
        where = Place.of_query(visit.query)
        entry, found = self._picture(visit, where)
        taken = self.contents.file(visit.place["board"], visit.place["capture"], where)
        headers = {
            "Content-Length": str(entry.size),
            "Content-Disposition": file_name.disposition(entry.name, is_inline=True),
        }
        return Streamed(taken.parts, found.type, headers)

    def file(self, visit: Visit) -> Response:
        """Send a file."""
        where = Place.of_query(visit.query)
        taken = self.contents.file(visit.place["board"], visit.place["capture"], where)
        headers = {
            "Content-Length": str(taken.entry.size),
            "Content-Disposition": file_name.disposition(taken.entry.name),
        }
        return Streamed(taken.parts, "application/octet-stream", headers)

    def archive(self, visit: Visit) -> Response:
        """Send a folder, packed."""
        board, capture = visit.place["board"], visit.place["capture"]
        where, wanted = Place.of_query(visit.query), visit.query.get("as", "")
        taken = self.contents.folder(board, capture, where, wanted)
        name = b"-".join(
            (f"{board}-{capture.partition('-')[0]}".encode(), taken.entry.name or b"all")
        )
        headers = {"Content-Disposition": file_name.disposition(name, ending=f".{wanted}")}
        return Streamed(taken.parts, ARCHIVES[wanted], headers)

    def _picture(self, visit: Visit, where: Place) -> tuple[Entry, Picture]:
        """Return a picture that may be shown.

        Raises:
            UsageError: it is none.
        """
        board, capture = visit.place["board"], visit.place["capture"]
        entry, data = self.contents.head(board, capture, where, _PICTURE_HEAD)
        found = picture.read(data) if entry.size <= picture.SIZE_MOST else None
        if found is None or not found.is_bearable:
            raise UsageError(
                "this is no picture that is shown here: a PNG, JPEG, GIF or WebP of 16 MiB and "
                "50 million pixels at most",
                hint="take the file out, and open it with a program that you trust",
            )
        return entry, found
