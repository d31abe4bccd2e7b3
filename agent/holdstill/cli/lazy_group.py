"""Groups of commands, each in a module of its own that is imported when it is used.

The keeper starts one process for every rsync of every board: importing all commands would cost a
weak processor more than the command itself.
"""

from __future__ import annotations

import difflib
import importlib
from types import MappingProxyType
from typing import TYPE_CHECKING, ClassVar

import click

if TYPE_CHECKING:
    from collections.abc import Mapping


class LazyGroup(click.Group):
    """A group whose commands are the `command` of modules.

    Attributes:
        modules: the module of each command, by the command's name.
        meant: what is meant by words that people say instead.
    """

    modules: ClassVar[dict[str, str]]

    meant: Mapping[str, str] = MappingProxyType({})

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command of these words; one that is not there is told with what is meant."""
        word = args[0]
        if word in self.modules or word.startswith("-"):
            return super().resolve_command(ctx, args)
        near = difflib.get_close_matches(word, self.modules, n=3)
        likely = self.meant.get(word) or " or ".join(f"`{ctx.command_path} {one}`" for one in near)
        guess = f" Did you mean {likely}?" if likely else ""
        raise click.UsageError(f"No such command {word!r}.{guess}", ctx)

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
