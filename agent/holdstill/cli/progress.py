"""Progress for people: bars on a terminal, plain lines elsewhere."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.progress import (
    BarColumn,
    DownloadColumn,
    Progress,
    ProgressColumn,
    SpinnerColumn,
    TextColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from holdstill.model.foreign_text import printable
from holdstill.model.sizes import human

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.progress import Task, TaskID

    from holdstill.cli.consoles import Console


class WhenKnown(ProgressColumn):
    """A column that stays empty while the total is unknown."""

    def __init__(self, column: ProgressColumn) -> None:
        super().__init__()
        self._column = column

    def render(self, task: Task) -> RenderableType:
        """Show the column, or nothing."""
        return self._column.render(task) if task.total else Text("")


class SpeedColumn(ProgressColumn):
    """Bytes in a second, in the units of everything else: rich's own column counts by 1000."""

    def render(self, task: Task) -> RenderableType:
        """Show the speed, once it is known."""
        speed = task.finished_speed or task.speed
        return Text("" if speed is None else f"{human(int(speed))}/s")


class LineProgress:
    """One line a step; for logs and pipes."""

    def __init__(self, console: Console) -> None:
        self._console = console

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
    """A bar for the step that is under way, a line for each that is done."""

    def __init__(self, console: Console, bars: Progress) -> None:
        self._console = console
        self._bars = bars
        self._task: TaskID | None = None

    def step(self, what: str) -> None:
        """Begin a step of the work; the one before is done."""
        if self._task is not None:
            self._bars.remove_task(self._task)
        self._task = self._bars.add_task(printable(what), total=None)

    def update(self, done: int, total: int) -> None:
        """Update the step's progress, in bytes."""
        if self._task is not None:
            self._bars.update(self._task, completed=done, total=max(total, done) or None)

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


@contextmanager
def reporting(console: Console) -> Iterator[LineProgress | BarProgress]:
    """Show progress on this console for the length of the block."""
    if not console.is_terminal:
        yield LineProgress(console)
        return
    columns = (
        SpinnerColumn(),
        TextColumn("{task.description}", markup=False),
        WhenKnown(BarColumn(bar_width=24)),
        WhenKnown(DownloadColumn(binary_units=True)),
        WhenKnown(SpeedColumn()),
        WhenKnown(TimeRemainingColumn()),
    )
    with Progress(*columns, console=console, transient=True) as bars:
        yield BarProgress(console, bars)
