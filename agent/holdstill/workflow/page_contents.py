"""What the keeper's page gives out of captures: files, and folders as archives."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from holdstill.errors import UsageError
from holdstill.filesystems import content_chunks
from holdstill.model import paths
from holdstill.model.entries import EntryType
from holdstill.page.capture_view import Taken
from holdstill.workflow import folder_archive
from holdstill.workflow.folder_archive import ArchiveFormat, Folder

if TYPE_CHECKING:
    from collections.abc import Generator

    from holdstill.model.entries import Entry
    from holdstill.page.place import Place
    from holdstill.workflow.captures_at_hand import CapturesAtHand, OpenCapture

_BATCH = 32 << 10
"""Bytes that go out at a time, and that a download holds which stalls."""


class PageContents:
    """Contents of a store's captures. Several threads may ask at once."""

    def __init__(self, captures: CapturesAtHand) -> None:
        self._captures = captures

    def head(self, board: str, name: str, place: Place, limit: int) -> tuple[Entry, bytes]:
        """Return a file, and its first bytes.

        Raises:
            UsageError: there is no such file.
            VerificationError: it is damaged in the store.
        """
        with self._captures.opened(board, name) as held:
            entry = _file(held, place)
            return entry, content_chunks.head(held.stored, entry, limit)

    def file(self, board: str, name: str, place: Place) -> Taken:
        """Return a file to be taken out, checked as far as it can be before its first byte.

        Raises: as `head`; VerificationError also while its bytes are drawn.
        """
        with self._captures.opened(board, name) as held:
            entry = _file(held, place)
            content_chunks.check_first(held.stored, entry)

        def parts() -> Generator[bytes, None, None]:
            yield from content_chunks.chunks(held.stored, entry)

        return Taken(entry, parts())

    def folder(self, board: str, name: str, place: Place, wanted: str) -> Taken:
        """Return a folder as an archive.

        Raises:
            UsageError: there is no such folder, or archive.
            VerificationError: while it is drawn: a file is damaged in the store.
        """
        if wanted not in {*ArchiveFormat}:
            raise UsageError("a folder is packed as tar or zip")
        with self._captures.opened(board, name) as held:
            entry = held.entry(place)
            if entry.type is not EntryType.DIRECTORY:
                raise UsageError(f"/{paths.display(place.path)} is no folder")
        return Taken(entry, self._packed(board, name, entry, place, ArchiveFormat(wanted)))

    def _packed(
        self, board: str, name: str, top: Entry, place: Place, wanted: ArchiveFormat
    ) -> Generator[bytes, None, None]:
        with self._captures.lent(board, name) as (stored, open_index):
            folder = Folder(stored, open_index, place.part, top, top.name or board.encode())
            batch = bytearray()
            with contextlib.closing(_drawn(folder, wanted)) as parts:
                for part in parts:
                    batch += part
                    if len(batch) >= _BATCH:
                        full = bytes(batch)
                        batch.clear()
                        yield full
            yield bytes(batch)


def _drawn(folder: Folder, wanted: ArchiveFormat) -> Generator[bytes, None, None]:
    yield from folder_archive.packed(folder, wanted)


def _file(held: OpenCapture, place: Place) -> Entry:
    entry = held.entry(place)
    if entry.type is not EntryType.FILE:
        raise UsageError(
            f"/{paths.display(place.path)} is no file, but a {entry.type.name.lower()}"
        )
    content_chunks.check_captured(entry)
    return entry
