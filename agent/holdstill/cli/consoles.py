"""Consoles, on which tables and progress are laid out: they take all text for foreign.

Apart from `terminal`, which a keeper's session does with: it begins for every transfer, and rich
is a good part of what it would import.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import rich.console
from rich.text import Text

from holdstill.cli.terminal import visible
from holdstill.model.foreign_text import printable_lines

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import ConsoleOptions, JustifyMethod, OverflowMethod, RenderableType
    from rich.segment import Segment
    from rich.style import Style

WIDTH_OF_A_LOG = 120


class Console(rich.console.Console):
    """A console that takes every string for foreign: it reads no markup in it."""

    def render_str(
        self,
        text: str,
        *,
        style: str | Style = "",
        justify: JustifyMethod | None = None,
        overflow: OverflowMethod | None = None,
        **_: object,
    ) -> Text:
        """Make text of a string, before it is laid out."""
        shown = "\n".join(printable_lines(text))
        return Text(shown, style=style, justify=justify, overflow=overflow)

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """Lay out, and write out whatever is not visible all the same."""
        for segment in super().render(renderable, options):
            yield segment if segment.control else segment._replace(text=visible(segment.text))


def console(*, is_error: bool = False) -> Console:
    """Return a console on standard output, or error; wide enough for tables in a log."""
    out = Console(stderr=is_error)
    return out if out.is_terminal else Console(stderr=is_error, width=WIDTH_OF_A_LOG)
