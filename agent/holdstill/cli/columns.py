"""Tables that fit a terminal: no word is divided, and what finds no room stands below its row.

Which column gives way first is said by its rank. A pipe is as wide as it takes (consoles): there
every value is whole and in its column.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from rich.cells import cell_len
from rich.text import Text

from holdstill.model.foreign_text import printable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import ConsoleOptions

GUTTER, INDENT = 2, 4
"""Columns of a terminal between two of a table, and before what stands below a row."""
_WORD = re.compile(r"\s*(?:[^\s`]*`[^`]*`\S*|\S+)")
"""A word; a command in backticks, which is to be copied, is one."""


@dataclass(frozen=True, eq=False)
class Column:
    """A column of a table.

    Attributes:
        name: its heading.
        rank: 0 for one that stays in the row; of the others, the highest gives way first.
        is_number: whether it is flush right.
        is_detail: whether it is left out where it finds no room, and not put below the row.
    """

    name: str
    rank: int = 0
    is_number: bool = False
    is_detail: bool = False


class Table:
    """Rows of cells; a console lays them out for its width."""

    def __init__(self, *columns: Column) -> None:
        self.columns = columns
        self._rows: list[tuple[str, ...]] = []

    def add_row(self, *cells: str) -> None:
        """Add a row; there is one cell for each column."""
        assert len(cells) == len(self.columns), cells  # noqa: S101
        self._rows.append(tuple(map(printable, cells)))

    def __rich_console__(self, _: object, options: ConsoleOptions) -> Iterator[Text]:
        """Lay the table out."""
        for number, line in enumerate(self.lines(options.max_width)):
            yield Text(line, style="" if number else "bold", no_wrap=True, overflow="ignore")

    def left_out(self, width: int) -> tuple[str, ...]:
        """Return the headings of the details for which so many columns have no room."""
        shown = self._shown(width)
        return tuple(one.name for one in self.columns if one.is_detail and one not in shown)

    def lines(self, width: int) -> list[str]:
        """Return the lines of the table on a terminal of so many columns; the headings first."""
        shown = self._shown(width)
        widths = _narrowed([self._width(one) for one in shown], self._words(shown), width)
        if sum(widths) + GUTTER * (len(widths) - 1) > width:
            return self._as_records(width)
        made = _row([one.name for one in shown], shown, widths)
        below = [one for one in self.columns if one not in shown and not one.is_detail]
        for cells in self._rows:
            made += _row([self._cell(cells, one) for one in shown], shown, widths)
            said = [
                f"{one.name}: {cell}" for one in below if (cell := self._cell(cells, one)) != "-"
            ]
            made += folded(" " * INDENT + "; ".join(said), width) if said else []
        return made

    def _as_records(self, width: int) -> list[str]:
        """Return each row as lines of their own, where the columns find no room at all."""
        made = []
        for cells in self._rows:
            for number, (one, cell) in enumerate(zip(self.columns, cells, strict=True)):
                if cell and not (one.is_detail and number):
                    made += folded(f"{' ' * INDENT if number else ''}{one.name}: {cell}", width)
        return made

    def _shown(self, width: int) -> list[Column]:
        """Return the columns that stay in the row."""
        shown = list(self.columns)
        for one in sorted(self.columns, key=lambda each: -each.rank):
            if self._total(shown) <= width or not one.rank:
                break
            shown.remove(one)
        return shown

    def _total(self, shown: Sequence[Column]) -> int:
        return sum(map(self._width, shown)) + GUTTER * (len(shown) - 1)

    def _width(self, column: Column) -> int:
        cells = (self._cell(row, column) for row in self._rows)
        return max(cell_len(column.name), *map(cell_len, cells), 0)

    def _words(self, shown: Sequence[Column]) -> list[int]:
        """Return of each column the width of its longest word, of numbers all; with headings."""
        return [
            self._width(one)
            if one.is_number
            else max(
                cell_len(word)
                for cell in (one.name, *(self._cell(row, one) for row in self._rows))
                for word in _words_of(cell)
            )
            for one in shown
        ]

    def _cell(self, row: Sequence[str], column: Column) -> str:
        return row[self.columns.index(column)]


def _narrowed(widths: list[int], least: Sequence[int], width: int) -> list[int]:
    """Take from the widest column, down to its longest word, until all have room or none gives."""
    made = list(widths)
    while (over := sum(made) + GUTTER * (len(made) - 1) - width) > 0:
        spare, which = max((made[at] - least[at], at) for at in range(len(made)))
        if spare <= 0:
            return made
        made[which] -= min(spare, over)
    return made


def _row(cells: Sequence[str], columns: Sequence[Column], widths: Sequence[int]) -> list[str]:
    """Return the lines of one row."""
    parts = [_lines_of(cell, wide) for cell, wide in zip(cells, widths, strict=True)]
    return [
        (" " * GUTTER)
        .join(
            _padded(part[at] if at < len(part) else "", one, wide)
            for part, one, wide in zip(parts, columns, widths, strict=True)
        )
        .rstrip()
        for at in range(max(map(len, parts)))
    ]


def _lines_of(cell: str, width: int) -> list[str]:
    return folded(cell, width, hang=0) or [""]


def _padded(text: str, column: Column, width: int) -> str:
    blank = " " * (width - cell_len(text))
    return blank + text if column.is_number else text + blank


def _words_of(text: str) -> list[str]:
    return [match[0].strip() for match in _WORD.finditer(text)]


def breaks(text: str, width: int, hang: int) -> list[int]:
    """Return where a line must be broken so that each piece has at most so many columns.

    Only between words: one that is longer than a line is left in one piece, and so is a command in
    backticks. Lines after the first are hang columns narrower.
    """
    found, filled = [], 0
    for match in _WORD.finditer(text):
        token = match[0]
        word = token.lstrip()
        if filled and filled + cell_len(token) > width:
            found.append(match.end() - len(word))
            filled = hang + cell_len(word)
        else:
            filled += cell_len(token)
    return found


def folded(text: str, width: int, *, hang: int = 2) -> list[str]:
    """Return a line folded between words; further lines are indented by hang more than it."""
    inner = len(text) - len(text.lstrip()) + hang
    edges = [0, *breaks(text, width, inner), len(text)]
    pieces = [text[at:end].rstrip() for at, end in pairwise(edges)]
    return [piece if not number else " " * inner + piece for number, piece in enumerate(pieces)]
