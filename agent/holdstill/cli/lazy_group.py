"""Groups of commands, each in a module of its own that is imported when it is used.

The keeper starts one process for every rsync of every board: importing all commands would cost a
weak processor more than the command itself.
"""

from __future__ import annotations

import importlib
from typing import ClassVar

import click


class LazyGroup(click.Group):
    """A group whose commands are the `command` of modules.

    Attributes:
        modules: the module of each command, by the command's name.
    """

    modules: ClassVar[dict[str, str]]

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands' names."""
        del ctx
        return sorted(self.modules)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return one of them, None when there is no such command."""
        del ctx
        if cmd_name not in self.modules:
            return None
        command = importlib.import_module(self.modules[cmd_name]).command
        assert isinstance(command, click.Command)  # noqa: S101
        # click keeps the lines of a paragraph that begins with a backspace; we write \\b.
        command.help = (command.help or "").replace("\\b\n", "\b\n")
        return command
