"""What a writer of file systems is handed: entries, contents, and somebody to tell."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol

from holdstill.model.entries import Entry

Entries = Callable[[], Iterable[Entry]]
"""Gives a fresh stream of entries, in key order, every time it is called."""


class Contents(Protocol):
    """Where the contents of files are."""

    def open(self, digest: bytes) -> int:
        """Return a descriptor of a content (SHA-256, 32 bytes), which the caller closes."""


class Progress(Protocol):
    """Is told how far the writing is."""

    def advance(self, *, entries: int, written: int) -> None:
        """So many more entries are in place, and so many more bytes of contents."""


class Silence:
    """A Progress for nobody."""

    def advance(self, *, entries: int, written: int) -> None:
        """Ignore it."""
