"""The group `holdstill keeper`."""

from __future__ import annotations

import click

from holdstill.cli.lazy_group import LazyGroup


class KeeperCommands(LazyGroup):
    """The commands of this package."""

    modules = {
        name: f"holdstill.cli.keeper.{name}"
        for name in (
            "accept", "enrol", "init", "recount", "remove", "retire", "serve", "sessions", "setup",
            "watch",
        )
    } | {"reader": "holdstill.cli.keeper.reader.group"}  # fmt: skip


@click.group(
    "keeper", cls=KeeperCommands, short_help="Commands for the host that stores captures."
)
def command() -> None:
    """Set up and serve the store, on the host that stores captures. Needs no root."""
