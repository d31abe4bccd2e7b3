"""Runs holdstill itself, as a person at a terminal would, and reads what it reports."""

from __future__ import annotations

import os
import shlex
import sys
from typing import TYPE_CHECKING, TypeVar

import msgspec

from holdstill.errors import DocumentError
from holdstill.system import shown_width
from holdstill.system.process import Command

if TYPE_CHECKING:
    from pathlib import Path, PurePath

    from rich.console import Console  # noqa: TID251  the type alone: it is handed in

    from holdstill.system.process import Runner

T = TypeVar("T")

PROGRAM = (sys.executable, "-B", "-m", "holdstill")
"""What starts this very holdstill again."""
SEALED = (0, 8)
"""Exit codes of a capture that is sealed; 8 means that something needs attention."""
_TIMEOUT = 600.0


class Holdstill:
    """The command line, one command at a time; each is shown before it runs."""

    def __init__(self, machine: Runner, console: Console, *, here: Path) -> None:
        """Prepare; commands are shown as one would type them in the folder `here`."""
        self._machine = machine
        self._console = console
        self._here = f"{here}{os.sep}"

    def run(self, *words: str | PurePath, accepted: tuple[int, ...] = (0,), width: int = 0) -> str:
        """Run a command; return what it printed, for a terminal of so many columns if not 0.

        Raises:
            CommandError: it failed; its own output is in the message.
        """
        texts = [os.fspath(word) for word in words]
        shown = shlex.join(text.removeprefix(self._here) for text in texts)
        self._console.print(f"$ holdstill {shown}", style="bold")
        command = Command.of(
            *PROGRAM, *texts,
            timeout=_TIMEOUT, accepted=accepted, environment=shown_width.stating(width),
        )  # fmt: skip
        with self._console.status(f"{words[0]} ..."):
            return self._machine.run(command).decode()

    def show(self, *words: str | PurePath) -> None:
        """Run a command and show what it prints, as it would itself on this terminal."""
        width = self._console.width if self._console.is_terminal else 0
        self._console.print(self.run(*words, width=width))

    def ask(self, kind: type[T], *words: str | PurePath, accepted: tuple[int, ...] = (0,)) -> T:
        """Run a command for its report.

        Raises:
            CommandError: it failed; DocumentError: it reported something else.
        """
        output = self.run(*words, "--json", accepted=accepted)
        try:
            return msgspec.json.decode(output, type=kind)
        except msgspec.MsgspecError as error:
            raise DocumentError(f"report of `holdstill {words[0]}`", [str(error)]) from error
