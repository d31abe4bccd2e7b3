"""The group `holdstill offsite`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from holdstill.cli import open_capture
from holdstill.cli.lazy_group import LazyGroup

if TYPE_CHECKING:
    from collections.abc import Iterable


class OffsiteCommands(LazyGroup):
    """The commands of this package."""

    modules = {  # noqa: RUF012  constant
        name: f"holdstill.cli.offsite.{name}"
        for name in ("key", "prove", "restore", "setup", "upload", "verify")
    }

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return one of them; UsageError if what they need is not installed."""
        try:
            return super().get_command(ctx, cmd_name)
        except ModuleNotFoundError as error:
            if _is_of_extra(error.name or ""):
                raise open_capture.not_installed(error) from error
            raise


def _is_of_extra(name: str, extra: Iterable[str] = ("boto3", "botocore", "nacl", "segno")) -> bool:
    return name.partition(".")[0] in extra


@click.group(
    "offsite", cls=OffsiteCommands, short_help="Keep an encrypted copy on object storage."
)
def command() -> None:
    """Keep a copy of a store on object storage, sealed for a key that the keeper has not.

    To read it, give its address to list, show, get, find, compare and rebuild, as --store.
    """
