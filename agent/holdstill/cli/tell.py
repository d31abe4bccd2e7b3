"""Tell a person how far things are: bars on a terminal, plain lines elsewhere."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.progress import (
    BarColumn,
    DownloadColumn,
    Progress,
    SpinnerColumn,
    TextColumn,
    TimeRemainingColumn,
    TransferSpeedColumn,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console
    from rich.progress import TaskID


class PlainTeller:
    """One line a step; for logs and pipes."""

    def __init__(self, console: Console) -> None:
        self._console = console

    def step(self, what: str) -> None:
        """Begin a step of the work."""
        self._console.print(what, highlight=False, markup=False)

    def progress(self, done: int, total: int) -> None:
        """Say nothing: a log is no place for a bar."""

    def note(self, text: str) -> None:
        """Say something that should not be missed."""
        self._console.print(f"note: {text}", highlight=False, markup=False)


class BarTeller:
    """A bar for the step that is under way, a line for each that is done."""

    def __init__(self, console: Console, bars: Progress) -> None:
        self._console = console
        self._bars = bars
        self._task: TaskID | None = None

    def step(self, what: str) -> None:
        """Begin a step of the work; the one before is done."""
        if self._task is not None:
            self._bars.remove_task(self._task)
        self._task = self._bars.add_task(what, total=None)

    def progress(self, done: int, total: int) -> None:
        """Say how far the step is, in bytes."""
        if self._task is not None:
            self._bars.update(self._task, completed=done, total=max(total, done) or None)

    def note(self, text: str) -> None:
        """Say something that should not be missed."""
        self._console.print(f"note: {text}", highlight=False, markup=False)


@contextmanager
def telling(console: Console) -> Iterator[PlainTeller | BarTeller]:
    """Tell on this console for the length of the block."""
    if not console.is_terminal:
        yield PlainTeller(console)
        return
    columns = (
        SpinnerColumn(),
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=24),
        DownloadColumn(binary_units=True),
        TransferSpeedColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console, transient=True) as bars:
        yield BarTeller(console, bars)
