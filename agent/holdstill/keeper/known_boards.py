"""What a store knows of its boards beside their own folders: STORE/boards.txt.

A line for each: its name, the number of its newest capture, and a check of these. What is gone is
missed only if something else knows that it was there.
"""

from __future__ import annotations

import hashlib
import re
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.model import names
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from holdstill.keeper.store_disk import StoreDisk
    from holdstill.model.names import BoardName

_NUMBER = re.compile(r"\d{1,18}", re.ASCII)


@dataclass(frozen=True)
class KnownBoards:
    """The file.

    Attributes:
        guard: a folder that who changes the file holds alone.
    """

    path: Path
    guard: Path
    disk: StoreDisk

    def names(self) -> frozenset[BoardName]:
        """Return the boards; none where the file cannot be read, which `verify` tells."""
        with suppress(OSError):
            return frozenset(_boards_of(self._bytes()))
        return frozenset()

    def newest(self, board: BoardName) -> int:
        """Return the number of a board's newest capture; 0 for none, or where nobody can tell."""
        with suppress(OSError):
            return _boards_of(self._bytes()).get(board, 0)
        return 0

    def is_sound(self) -> bool:
        """Whether every line is as it was written.

        Raises:
            OSError: it cannot be read.
        """
        data = self._bytes()
        return data == _encoded(_boards_of(data))

    def note(self, board: BoardName, newest: int = 0) -> None:
        """Note that there is such a board, and its newest capture."""
        with files.alone_in(self.guard):
            try:
                data = self._bytes()
            except OSError:  # `verify` names what is in its place; nothing is written over it
                return
            boards = _boards_of(data)
            boards[board] = max(newest, boards.get(board, 0))
            if data != _encoded(boards):  # spoiled lines go by the way
                self._publish(boards)

    def forget(self, board: BoardName) -> None:
        """Expect nothing of a board any more."""
        with files.alone_in(self.guard):
            known = _boards_of(self._bytes())
            self._publish({name: known[name] for name in known.keys() - {board}})

    def _bytes(self) -> bytes:
        return files.read_if_there(self.path)

    def _publish(self, boards: Mapping[BoardName, int]) -> None:
        self.disk.publish(self.path, _encoded(boards))


def _boards_of(data: bytes) -> dict[BoardName, int]:
    """Read the file's bytes; pure.

    A line that was cut off or spoiled says nothing: there never was such a board.
    """
    found = {}
    for line in data.splitlines(keepends=True):
        name, _, rest = line.decode(errors="replace").partition(" ")
        number = rest.partition(" ")[0]
        if names.is_board(name) and _NUMBER.fullmatch(number):
            board = names.check_board(name)
            if line == _line(board, int(number)):
                found[board] = int(number)
    return found


def _encoded(boards: Mapping[BoardName, int]) -> bytes:
    return b"".join(_line(board, boards[board]) for board in sorted(boards))


def _line(board: str, number: int) -> bytes:
    text = f"{board} {number}"
    return f"{text} {hashlib.sha256(text.encode()).hexdigest()[:16]}\n".encode()
