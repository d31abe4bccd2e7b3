"""Indexes of the captures that were looked at last, each put together once.

An index is stored in pieces. Somebody who leafs through a folder asks for one a hundred times.
"""

from __future__ import annotations

from collections import OrderedDict
from contextlib import ExitStack, contextmanager
from threading import Lock
from typing import TYPE_CHECKING, NamedTuple

from holdstill.records import assembled, index_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager
    from pathlib import Path

    from holdstill.model.manifest import Attachment
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.records.index_queries import Index

    OpenIndex = Callable[[], AbstractContextManager[Index]]

MOST, ROOM = 6, 1 << 30
"""Indexes that are kept, and their bytes; the one that was asked for last stays in any case."""


class _Kept(NamedTuple):
    path: Path
    size: int


class KeptIndexes:
    """A folder of indexes. Several threads may ask at once; one is put together at a time."""

    def __init__(self, folder: Path, *, most: int = MOST, room: int = ROOM) -> None:
        self._folder, self._most, self._room = folder, most, room
        self._kept: OrderedDict[str, _Kept] = OrderedDict()
        self._lock, self._made = Lock(), 0

    @contextmanager
    def opened(self, contents: ContentSource, stated: Attachment) -> Iterator[Index]:
        """Hold an index open for reading; it may come from anybody.

        Args:
            contents: where its pieces are.
            stated: what the manifest of its capture says of it.

        Raises:
            VerificationError: it is not there, or damaged.
            SecurityError: it is not an index, or holds more than an index does.
        """
        with ExitStack() as undo:
            with self._lock:
                path = self._at_hand(contents, stated)
                # An open file stays readable when it is let go of.
                index = undo.enter_context(index_file.opened(path))
            yield index

    @contextmanager
    def lent(self, contents: ContentSource, stated: Attachment) -> Iterator[OpenIndex]:
        """Yield what opens an index, again and again, however many are asked for meanwhile.

        For who reads slowly: an open index takes memory, which grows as it is read.

        Raises: as `opened`, and so does what is yielded.
        """
        with self._lock:
            path = self._at_hand(contents, stated)
            self._made += 1
            own = self._folder / f"{self._made}.lent"
            own.hardlink_to(path)
        try:
            yield lambda: index_file.opened(own)
        finally:
            own.unlink(missing_ok=True)

    def _at_hand(self, contents: ContentSource, stated: Attachment) -> Path:
        known = self._kept.get(stated.sha256)
        if known is None:
            self._made += 1
            known = _Kept(self._folder / f"{self._made}.sqlite", stated.size)
            self._let_go(self._most - 1, self._room - known.size)
            try:
                assembled.write(contents, stated, known.path)
            except BaseException:
                known.path.unlink(missing_ok=True)
                raise
            self._kept[stated.sha256] = known
        self._kept.move_to_end(stated.sha256)
        return known.path

    def _let_go(self, most: int, room: int) -> None:
        """Remove what was not asked for longest, until there is room for one more."""
        while self._kept and (
            len(self._kept) > most or sum(each.size for each in self._kept.values()) > room
        ):
            _, oldest = self._kept.popitem(last=False)
            oldest.path.unlink(missing_ok=True)
