"""Draw the measurements as a PNG. Needs matplotlib, which nothing else here does."""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, cast

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


@dataclass(frozen=True)
class Point:
    """Medians of one way on one board under one load; seconds."""

    way: str
    files: int
    rate: float
    held: float
    stall: float


class Axes(Protocol):
    """What is used of a matplotlib Axes."""

    def barh(self, y: Sequence[str], width: Sequence[float]) -> object: ...
    def plot(self, x: Sequence[float], y: Sequence[float], form: str, *, label: str) -> object: ...
    def set_xscale(self, value: str) -> object: ...
    def set_yscale(self, value: str) -> object: ...
    def set_xlabel(self, xlabel: str) -> object: ...
    def set_ylabel(self, ylabel: str) -> object: ...
    def set_title(self, label: str) -> object: ...
    def legend(self) -> object: ...
    def grid(self, *, visible: bool) -> object: ...


class Figure(Protocol):
    """What is used of a matplotlib Figure."""

    def subplots(self, nrows: int, ncols: int, *, squeeze: bool) -> Sequence[Sequence[Axes]]: ...
    def savefig(self, fname: str) -> None: ...


class FigureModule(Protocol):
    """What is used of matplotlib.figure."""

    def Figure(self, *, figsize: tuple[float, float], layout: str, dpi: int) -> Figure: ...  # noqa: N802


def require() -> FigureModule:
    """Return matplotlib.figure; ImportError if it is not installed."""
    return cast("FigureModule", importlib.import_module("matplotlib.figure"))


def draw(points: Sequence[Point], target: Path) -> None:
    """Draw two pictures beside each other: the ways compared, and how the span grows."""
    figure = require().Figure(figsize=(12, 4.5), layout="constrained", dpi=110)
    ((ways, growth),) = figure.subplots(1, 2, squeeze=False)
    _draw_ways(ways, points)
    _draw_growth(growth, points)
    figure.savefig(str(target))


def draw_bars(bars: Sequence[tuple[str, float]], target: Path) -> None:
    """Draw one bar for each name: how long nothing could be written, in seconds."""
    figure = require().Figure(figsize=(12, 1.5 + len(bars) / 4), layout="constrained", dpi=110)
    ((axes,),) = figure.subplots(1, 1, squeeze=False)
    shown = [*bars][::-1]
    axes.barh([name for name, _ in shown], [held * 1000 for _, held in shown])
    axes.set_xscale("log")
    axes.set_xlabel("nothing could be written, ms (median)")
    axes.set_title("The pause of a board with a large database")
    axes.grid(visible=True)
    figure.savefig(str(target))


def _draw_ways(axes: Axes, points: Sequence[Point]) -> None:
    compared = max((p.files for p in points if p.way != "holdstill"), default=0)
    shown = [p for p in points if p.files == compared][::-1]
    names = [f"{p.way}, {p.rate:g} MB/s" for p in shown]
    axes.barh(names, [p.stall * 1000 for p in shown])
    axes.set_xscale("log")
    axes.set_xlabel("longest wait of a writer, ms (median)")
    axes.set_title(f"An instant of {compared:,} files")
    axes.grid(visible=True)


def _draw_growth(axes: Axes, points: Sequence[Point]) -> None:
    rate = min(p.rate for p in points)
    own = sorted(
        (p.files, p.held, p.stall) for p in points if (p.way, p.rate) == ("holdstill", rate)
    )
    files = [float(n) for n, _, _ in own]
    axes.plot(files, [held * 1000 for _, held, _ in own], "o-", label="frozen span")
    axes.plot(
        files, [stall * 1000 for _, _, stall in own], "s--", label="longest wait of a writer"
    )
    axes.set_xscale("log")
    axes.set_xlabel("files on the board")
    axes.set_ylabel("ms (median)")
    axes.set_title(f"holdstill at {rate:g} MB/s of new data")
    axes.legend()
    axes.grid(visible=True)
