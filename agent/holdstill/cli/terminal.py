"""The one way out: everything that a command prints goes through here.

Text is foreign unless proven otherwise, so all of it is made printable (model.foreign_text): a
console takes every string so, and never reads markup in it; a second look is taken at what it
laid out, which finds text that came by another way. Under both, the streams themselves let
nothing pass but visible text, ends of lines and, on a terminal, the few sequences by which a
console styles and draws. What other programs' code writes to them is thereby held as well.

ruff holds the rest of the package to this: click.echo and rich.console are banned elsewhere.
"""

from __future__ import annotations

import io
import os
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.model.foreign_text import escaped, printable_lines

if TYPE_CHECKING:
    from typing import TextIO


_DRAWN = re.compile(r"(\r|\x1b\[[0-9;]*[mABCDGHJK]|\x1b\[\?25[lh])")
"""What a console draws with: styles, moves, erasing, hiding the cursor (ECMA-48, 8.3; DEC's
private mode 25), and the carriage return. None of it answers, pastes, links or names anything."""


def say(*texts: str, is_error: bool = False) -> None:
    """Print texts, each from the beginning of a line."""
    for text in texts:
        click.echo("\n".join(printable_lines(text)), err=is_error)


def warn_as_written(*texts: str) -> None:
    """Print texts on standard error, their lines as they are: a traceback, for one."""
    say(*texts, is_error=True)


_COLUMNS = 80


def warn(*texts: str) -> None:
    """Print sentences on standard error; on a terminal, folded between words to its width.

    What is to be copied stays in one piece: a command in `backticks`, and a path.
    """
    if not sys.stderr.isatty():
        warn_as_written(*texts)
        return
    from holdstill.cli import columns  # noqa: PLC0415  a keeper's session has no terminal

    try:
        width = os.get_terminal_size(sys.stderr.fileno()).columns or _COLUMNS
    except OSError:
        width = _COLUMNS
    for text in texts:
        for line in printable_lines(text):
            click.echo("\n".join(columns.folded(line, width) or [""]), err=True)


class GuardedStream(io.TextIOWrapper):
    """An output stream that lets only visible text, ends of lines and drawing pass."""

    def write(self, text: str) -> int:
        """Write a text, with all else in it written out.

        Raises:
            OSError: it cannot be written; it names the stream, as if that were a file.
        """
        try:
            super().write(guarded(text, is_terminal=self.isatty()))
        except BrokenPipeError:
            raise
        except OSError as error:
            error.filename = "standard output or error"
            raise
        return len(text)


def guarded(text: str, *, is_terminal: bool) -> str:
    """Return what a stream lets pass of a text."""
    if not is_terminal:
        return visible(text)
    pieces = _DRAWN.split(text)  # the odd ones are those that match
    return "".join(piece if number % 2 else visible(piece) for number, piece in enumerate(pieces))


def guard_streams() -> None:
    """Put a guard before standard output and standard error, for the rest of the process."""
    sys.stdout, sys.stderr = _behind_guard(sys.stdout), _behind_guard(sys.stderr)


def _behind_guard(stream: TextIO | None) -> TextIO:
    """Return the stream guarded; the old one stays in sys.__stdout__, which keeps it open.

    One that was closed when the process began is None (sys, stdin): nobody wants what it says.
    """
    if stream is None:
        return Path(os.devnull).open("w", encoding="utf-8")
    stream.flush()
    return GuardedStream(
        stream.buffer, encoding=stream.encoding, errors="backslashreplace", line_buffering=True
    )


def visible(text: str) -> str:
    """Return a text with all but its ends of lines made visible."""
    return "\n".join(map(escaped, text.split("\n")))
