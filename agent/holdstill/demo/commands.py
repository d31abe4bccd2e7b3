"""Runs holdstill itself, as a person at a terminal would, and reads what it reports."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, TypeVar

import msgspec

from holdstill.errors import DocumentError
from holdstill.system.process import Command

if TYPE_CHECKING:
    from pathlib import PurePath

    from rich.console import Console

    from holdstill.system.process import Runner

T = TypeVar("T")

PROGRAM = (sys.executable, "-B", "-m", "holdstill")
"""What starts this very holdstill again."""
SEALED = (0, 8)
"""Exit codes of a capture that is sealed; 8 says that something needs attention."""
_TIMEOUT = 600.0


class Holdstill:
    """The command line, one command at a time; each is shown before it runs."""

    def __init__(self, machine: Runner, console: Console) -> None:
        self._machine = machine
        self._console = console

    def tell(self, *words: str | PurePath, accepted: tuple[int, ...] = (0,)) -> str:
        """Run a command; return what it printed.

        Raises:
            CommandError: it failed; its own words are in the message.
        """
        self._console.print(f"$ holdstill {' '.join(map(str, words))}", style="dim")
        command = Command.of(*PROGRAM, *words, timeout=_TIMEOUT, accepted=accepted)
        return self._machine.run(command).decode()

    def ask(self, kind: type[T], *words: str | PurePath, accepted: tuple[int, ...] = (0,)) -> T:
        """Run a command for its report.

        Raises:
            CommandError: it failed; DocumentError: it reported something else.
        """
        said = self.tell(*words, "--json", accepted=accepted)
        try:
            return msgspec.json.decode(said, type=kind)
        except msgspec.MsgspecError as error:
            raise DocumentError(f"report of `holdstill {words[0]}`", [str(error)]) from error
