"""Progress for people: bars on a terminal, plain lines elsewhere."""

from __future__ import annotations

import textwrap
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.progress import BarColumn, Progress, ProgressColumn, SpinnerColumn, TextColumn
from rich.text import Text

from holdstill.model import estimate
from holdstill.model.estimate import Estimate
from holdstill.model.foreign_text import printable
from holdstill.model.sizes import human

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import RenderableType
    from rich.progress import Task, TaskID

    from holdstill.cli.consoles import Console
    from holdstill.model.estimate import Stage

_BAR = 12
"""Characters of a bar."""
_BESIDE = 2 + 1 + _BAR + 1 + len(" 99%, 25 h 00 min left")
"""Characters that are taken on the line by all that is not the step."""
_RATE_FROM = 1.0
"""Seconds of a step after which its speed is shown."""


class WhenKnown(ProgressColumn):
    """A column that stays empty while the total is unknown."""

    def __init__(self, column: ProgressColumn) -> None:
        super().__init__()
        self._column = column

    def render(self, task: Task) -> RenderableType:
        """Show the column, or nothing."""
        return self._column.render(task) if task.total else Text("")


class LineProgress:
    """One line a step; for logs and pipes."""

    def __init__(self, console: Console) -> None:
        self._console = console

    def expect(self, stages: Sequence[Stage]) -> None:
        """Print nothing: a log says what is done when it is done."""

    def step(self, what: str) -> None:
        """Begin a step of the work."""
        self._console.print(what)

    def update(self, done: int, total: int) -> None:
        """Print nothing: a log is no place for a bar."""

    def warn(self, text: str) -> None:
        """Show a warning."""
        self._console.print(f"note: {text}")

    @contextmanager
    def muted(self) -> Iterator[None]:
        """Print nothing for the length of the block."""
        yield


class BarProgress:
    """One line: the step that is under way, and how far all of the work is.

    Where nobody said what is to come, the bar is that of the step.
    """

    def __init__(self, console: Console, bars: Progress) -> None:
        self._console = console
        self._bars = bars
        self._task: TaskID | None = None
        self._estimate = Estimate(bars.get_time())
        self._what, self._began = "", 0.0

    def expect(self, stages: Sequence[Stage]) -> None:
        """Say what is still to come."""
        self._estimate.expect(stages)

    def step(self, what: str) -> None:
        """Begin a step of the work; the one before is done."""
        self._what, self._began = printable(what), self._bars.get_time()
        self._estimate.begin(what, self._began)
        if self._task is None:
            self._task = self._bars.add_task("", total=None, left="")
        self._show(("",), 0, 0)

    def update(self, done: int, total: int) -> None:
        """Update the step's progress, in bytes."""
        if self._task is None:
            return
        total = max(total, done)
        self._estimate.advance(done, total)
        took = self._bars.get_time() - self._began
        speed = f", {human(int(done / took))}/s" if took >= _RATE_FROM else ""
        counted = f": {human(done)} of {human(total)}" if total else ""
        self._show((f"{counted}{speed}", counted, ""), done, total)

    def redraw(self) -> None:
        """Show how far it is by now."""
        if self._task is not None and self._estimate.has_plan:
            now = self._bars.get_time()
            share = self._estimate.share(now)
            words = f", {estimate.in_words(self._estimate.left(now))} left" if share < 1 else ""
            left = f"{share:4.0%}{words}"
            self._bars.update(self._task, completed=share, total=1.0, left=left)

    def _show(self, behind: Sequence[str], done: int, total: int) -> None:
        """Show the step with as much behind it as finds room; a long one is cut at a word."""
        assert self._task is not None  # noqa: S101  a step made it
        room = self._console.width - _BESIDE
        texts = [f"{self._what}{more}" for more in behind]
        text = next((each for each in texts if len(each) <= room), "") or textwrap.shorten(
            self._what, max(room, _BAR), placeholder=" ..."
        )
        if self._estimate.has_plan:
            self._bars.update(self._task, description=text)
            self.redraw()
        else:
            share = f"{done / total:4.0%}" if total else ""
            self._bars.update(
                self._task, description=text, completed=done, total=total or None, left=share
            )

    def warn(self, text: str) -> None:
        """Show a warning."""
        self._console.print(f"note: {text}")

    @contextmanager
    def muted(self) -> Iterator[None]:
        """Print nothing for the length of the block: no thread draws, or holds a lock."""
        self._bars.stop()
        try:
            yield
        finally:
            self._bars.start()

    def end(self) -> None:
        """Show that all of it is done."""
        self._estimate.end()
        if self._task is not None and self._estimate.has_plan:
            self._bars.refresh()


class _Bars(Progress):
    """Bars that ask how far it is when they are drawn: a step without an update goes on, too."""

    reporter: BarProgress | None = None

    def get_renderables(self) -> Iterator[RenderableType]:
        """Yield what is drawn."""
        if self.reporter is not None:
            self.reporter.redraw()
        yield from super().get_renderables()


@contextmanager
def reporting(console: Console) -> Iterator[LineProgress | BarProgress]:
    """Show progress on this console for the length of the block."""
    if not console.is_terminal:
        yield LineProgress(console)
        return
    columns = (
        SpinnerColumn(),
        TextColumn("{task.description}", markup=False),
        WhenKnown(BarColumn(bar_width=_BAR)),
        TextColumn("{task.fields[left]}", markup=False),
    )
    with _Bars(*columns, console=console, transient=True) as bars:
        bars.reporter = BarProgress(console, bars)
        yield bars.reporter
        bars.reporter.end()
