"""What a program shows on a terminal, line by line, and when each line was last written to.

As much of ECMA-48 as progress displays use: carriage return, line feed, cursor up, erase line.
Colours and the like are passed over. Needs nothing but Python.
"""

from __future__ import annotations

import fcntl
import os
import re
import struct
import subprocess
import termios
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

_STEP = re.compile(
    r"\x1b\[(?P<number>[0-9;?]*)(?P<control>[@-~])|(?P<move>[\r\n])|(?P<text>[^\x1b\r\n]+)"
)
_ROWS = 60


@dataclass(frozen=True)
class Line:
    """A line on the screen.

    Attributes:
        seconds: after the start, to hundredths; when it was last written to.
    """

    seconds: float
    text: str


class Screen:
    """A terminal that forgets nothing and never wraps."""

    def __init__(self) -> None:
        self._lines = [Line(0, "")]
        self._row = self._column = 0

    def lines(self) -> tuple[Line, ...]:
        """Return what is on it, without empty lines at the end."""
        last = max((n for n, line in enumerate(self._lines) if line.text.strip()), default=-1)
        kept = self._lines[: last + 1]
        return tuple(Line(round(line.seconds, 2), line.text.rstrip()) for line in kept)

    def write(self, said: str, seconds: float) -> str:
        """Show what a program has written; return the rest that may be part of a sequence."""
        end = 0
        for step in _STEP.finditer(said):
            if step.start() != end:
                break
            end = step.end()
            if step["text"]:
                self._put(step["text"], seconds)
            elif step["move"]:
                self._move(step["move"], seconds)
            else:
                self._control(step["control"], step["number"], seconds)
        return said[end:]

    def _put(self, text: str, seconds: float) -> None:
        was = self._lines[self._row].text.ljust(self._column)
        end = self._column + len(text)
        self._lines[self._row] = Line(seconds, was[: self._column] + text + was[end:])
        self._column = end

    def _move(self, move: str, seconds: float) -> None:
        self._column = 0  # a terminal's driver has put a carriage return before each line feed
        if move == "\n":
            self._row += 1
            if self._row == len(self._lines):
                self._lines.append(Line(seconds, ""))

    def _control(self, control: str, number: str, seconds: float) -> None:
        if control == "A":
            self._row = max(0, self._row - int(number or "1"))
        elif control == "K" and number == "2":
            self._lines[self._row] = Line(seconds, "")


def shown(words: Sequence[str | os.PathLike[str]], *, columns: int) -> tuple[Line, ...]:
    """Run a program on a terminal; return what it left there.

    Raises:
        CalledProcessError: it failed; what it showed is its output.
    """
    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", _ROWS, columns, 0, 0))
    unset = {name: value for name, value in os.environ.items() if name not in {"COLUMNS", "LINES"}}
    screen, rest, began = Screen(), "", time.monotonic()
    with subprocess.Popen(
        words, stdin=subprocess.DEVNULL, stdout=theirs, stderr=theirs,
        env=unset | {"TERM": "xterm", "NO_COLOR": "1"},
    ) as process:  # fmt: skip
        os.close(theirs)
        for piece in _pieces(ours):
            rest = screen.write(rest + piece, time.monotonic() - began)
    os.close(ours)
    lines = screen.lines()
    if process.returncode != 0:
        said = "\n".join(line.text for line in lines)
        raise subprocess.CalledProcessError(process.returncode, words, said)
    return lines


def _pieces(handle: int) -> Iterator[str]:
    """Return what comes from a terminal until nobody has its other end any more."""
    waiting = b""
    while True:
        try:
            piece = os.read(handle, 1 << 16)
        except OSError:  # EIO: the other side is closed
            return
        waiting += piece
        whole = waiting.decode(errors="ignore")
        waiting = waiting[len(whole.encode()) :]
        yield whole
