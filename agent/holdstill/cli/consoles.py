"""Consoles, on which tables and progress are laid out: they take all text for foreign.

On a terminal lines are folded between words, never inside one; what is no terminal has no width,
so that a value is never divided for the program that reads it.

Apart from `terminal`, which a keeper's session does with: it begins for every transfer, and rich
is a good part of what it would import.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import rich.console
from rich.text import Text

from holdstill.cli import columns
from holdstill.cli.terminal import visible
from holdstill.model.foreign_text import printable_lines
from holdstill.system import shown_width

if TYPE_CHECKING:
    from collections.abc import Iterable
    from typing import IO, Literal

    from rich.console import ConsoleOptions, JustifyMethod, OverflowMethod, RenderableType
    from rich.segment import Segment
    from rich.style import Style

NO_WIDTH = 1 << 16
"""Columns of what is no terminal: more than any line has."""


class Console(rich.console.Console):
    """A console that takes every string for foreign: it reads no markup in it."""

    def __init__(
        self,
        *,
        stderr: bool = False,
        file: IO[str] | None = None,
        width: int | None = None,
        force_terminal: bool | None = None,
        color_system: Literal["auto", "standard", "256", "truecolor", "windows"] | None = "auto",
    ) -> None:
        super().__init__(
            stderr=stderr, file=file, width=width, force_terminal=force_terminal,
            color_system=color_system,
            soft_wrap=True,  # a word that is longer than a line is not cut off
        )  # fmt: skip

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
        if isinstance(renderable, Text) and options is not None and _is_printed_alone(options):
            renderable = _folded(renderable, options.max_width)
        for segment in super().render(renderable, options):
            yield segment if segment.control else segment._replace(text=visible(segment.text))


def _is_printed_alone(options: ConsoleOptions) -> bool:
    """Whether this is a text of its own, and no cell or progress bar, which have their width."""
    return options.overflow == "ignore"


def _folded(text: Text, width: int) -> Text:
    """Return a text with its lines folded between words, those after the first indented."""
    lines: list[Text] = []
    for line in text.split("\n", allow_blank=True):
        inner = len(line.plain) - len(line.plain.lstrip()) + 2
        first, *others = line.divide(columns.breaks(line.plain, width, inner))
        for other in others:
            other.pad_left(inner)
        lines += [first, *others]
    for line in lines:
        line.rstrip()
    folded = Text("\n", style=text.style, justify=text.justify, end=text.end).join(lines)
    folded.no_wrap, folded.overflow = True, "ignore"
    return folded


def console(*, is_error: bool = False) -> Console:
    """Return a console on standard output, or error."""
    out = Console(stderr=is_error)
    if out.is_terminal:
        return out
    return Console(stderr=is_error, width=shown_width.stated() or NO_WIDTH)
