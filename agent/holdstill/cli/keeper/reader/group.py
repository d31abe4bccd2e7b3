"""The group `holdstill keeper reader`."""

from __future__ import annotations

import click

from holdstill.cli.lazy_group import LazyGroup


class ReaderCommands(LazyGroup):
    """The commands of this package."""

    modules = {  # noqa: RUF012  constant
        name: f"holdstill.cli.keeper.reader.{name}" for name in ("add", "list", "remove")
    }


@click.group("reader", cls=ReaderCommands, short_help="Keys with which people read captures.")
def command() -> None:
    """Let people list, get and rebuild captures over SSH, with a key that can do nothing else."""
