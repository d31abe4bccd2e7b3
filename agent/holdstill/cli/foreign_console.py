"""The console of every command: it takes all text for foreign."""

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
