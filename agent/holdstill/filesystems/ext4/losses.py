"""What cannot be restored exactly, collected while filling, reported at the end."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.filesystems.ext4 import inode_bytes
from holdstill.model import paths
from holdstill.model.entries import Omitted

if TYPE_CHECKING:
    from holdstill.model.entries import Entry

NAMED_MAX = 5
"""Paths that a warning names before it only counts."""

UNREADABLE = "could not be read on the board: all zeroes here"
MOVED = "dated where this ext4 cannot: the nearest date is set"
DOUBTED = (
    "dated after the year 2310: e2fsck -y takes that for a mistake and moves the date before 1970"
)


class Losses:
    """Warnings in the making."""

    def __init__(self, inode_size: int) -> None:
        self._inode_size = inode_size
        self._named: dict[str, list[bytes]] = {}
        self._counts: dict[str, int] = {}

    def look_at(self, entry: Entry) -> None:
        """Note what is odd about an entry."""
        if entry.omitted is Omitted.UNREADABLE:
            self._note(UNREADABLE, entry)
        if not inode_bytes.time_is_kept(entry.mtime_ns, self._inode_size):
            self._note(MOVED, entry)
        elif entry.mtime_ns >= inode_bytes.DOUBTED * 10**9:
            self._note(DOUBTED, entry)

    def _note(self, what: str, entry: Entry) -> None:
        self._counts[what] = self._counts.get(what, 0) + 1
        named = self._named.setdefault(what, [])
        if len(named) < NAMED_MAX:
            named.append(entry.path)

    def warnings(self) -> tuple[str, ...]:
        """Return a sentence for each kind of oddity."""
        return tuple(
            f"{count} entries {what}: {self._examples(what)}"
            for what, count in self._counts.items()
        )

    def _examples(self, what: str) -> str:
        named = self._named[what]
        text = ", ".join(paths.display(path) for path in named)
        return text if self._counts[what] <= len(named) else f"{text}, ..."
