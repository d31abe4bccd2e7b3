"""A picture of what a program showed on a terminal: an SVG that plays, and can be read back.

    terminal_picture.py OUT SHOWN COMMAND...     SHOWN is what a person types for it

Each line is one element of text, with the seconds after which it came; it is played line by line
with long waits made short. A viewer that plays nothing shows the end. Needs nothing but Python.
"""

from __future__ import annotations

import sys
import xml.etree.ElementTree as ET
from itertools import pairwise
from pathlib import Path
from xml.sax.saxutils import escape

from support.terminal_screen import Line, shown

COLUMNS, ROWS = 100, 28
"""Of the terminal, and how many of its lines are seen at a time."""
CELL, LEADING, MARGIN = 8.4, 18, 14
"""Width of a character, height of a line, and the rim, in units of the picture."""
QUICKEST, LONGEST, END = 0.12, 2.0, 9.0
"""Seconds that a line and a wait take at least and at most, and that the end is seen for."""
WIDTH, HEIGHT = round(COLUMNS * CELL) + 2 * MARGIN, ROWS * LEADING + 2 * MARGIN
SVG = "{http://www.w3.org/2000/svg}"
HEAD = f"""\
<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img">
<title>{{title}}</title>
<style>
text {{{{ font: 14px ui-monospace, Menlo, Consolas, "DejaVu Sans Mono", monospace }}}}
text {{{{ fill: #d5dbe3; white-space: pre }}}}
.typed {{{{ fill: #9fd68c; font-weight: bold }}}}
</style>
<clipPath id="seen"><rect x="0" y="{MARGIN}" width="{WIDTH}" height="{ROWS * LEADING}"/></clipPath>
<rect width="{WIDTH}" height="{HEIGHT}" rx="8" fill="#151a21"/>
<g clip-path="url(#seen)"><g transform="translate({MARGIN} {{end}})">
<animateTransform attributeName="transform" type="translate" calcMode="discrete" \
dur="{{seconds}}s" repeatCount="indefinite" keyTimes="{{times}}" values="{{places}}"/>
"""


def draw(lines: tuple[Line, ...], title: str) -> str:
    """Return the picture."""
    moments = _moments(lines)
    seconds = moments[-1] + END
    made = HEAD.format(
        title=escape(title), end=_place(len(lines)), seconds=f"{seconds:.2f}",
        times=";".join(f"{moment / seconds:.4f}" for moment in moments),
        places=";".join(f"{MARGIN} {_place(count + 1)}" for count in range(len(lines))),
    )  # fmt: skip
    return made + "".join(map(_element, range(len(lines)), lines)) + "</g></g></svg>\n"


def _moments(lines: tuple[Line, ...]) -> list[float]:
    """Return when each line is shown; the first one at once (SMIL wants a zero in front)."""
    moments = [0.0]
    for before, after in pairwise(lines):
        moments.append(moments[-1] + min(max(after.seconds - before.seconds, QUICKEST), LONGEST))
    return moments


def _place(count: int) -> int:
    """Return how far down the lines are when the last of so many is at the foot."""
    return MARGIN + (ROWS - count) * LEADING


def _element(number: int, line: Line) -> str:
    # A font of another width is stretched, so that columns stand below each other.
    length = f' textLength="{len(line.text) * CELL:.1f}"' if line.text else ""
    look = ' class="typed"' if line.text.startswith("$ ") else ""
    y = number * LEADING + LEADING - 4
    return (
        f'<text y="{y}" data-at="{line.seconds:.2f}"{length}{look} xml:space="preserve">'
        f"{escape(line.text)}</text>\n"
    )


def read(picture: str) -> tuple[tuple[Line, ...], str]:
    """Return the lines that were drawn, and the title."""
    tree = ET.fromstring(picture)  # noqa: S314  our own file
    texts = tree.iter(f"{SVG}text")
    lines = tuple(Line(float(text.attrib["data-at"]), text.text or "") for text in texts)
    return lines, tree.findtext(f"{SVG}title") or ""


def main(out: str, typed: str, *command: str) -> None:
    """Run a command, and draw what it showed, below what a person typed."""
    lines = (Line(0, f"$ {typed}"), *shown(command, columns=COLUMNS))
    Path(out).write_text(draw(lines, f"A recording of {typed}"), encoding="utf-8")


if __name__ == "__main__":
    main(*sys.argv[1:])
