"""Measure the pause: how long nothing can be written, by holdstill and by what else people do.

    .venv/bin/pip install matplotlib
    sudo PYTHONPATH=tests .venv/bin/python tests/bench/pause/run.py

Takes about an hour, 30 GB of disk below --folder and a machine that does nothing else. Only ratios
of numbers of one run mean anything. The results go to tests/bench/results/.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import statistics
import sys
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bench import measured
from bench.pause import plot, ways
from bench.pause.stage import load, stage
from bench.pause.ways import Restatting, Taken, ThawedError

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.pause.stage import Stage

RESULTS = Path(__file__).parents[1] / "results"


@dataclass(frozen=True)
class Row:
    """One way on one board under one load."""

    way: str
    files: int
    rate: float
    taken: tuple[Taken, ...]

    def median(self, field: str) -> float:
        """Return the median of one field."""
        return statistics.median(self.values(field))

    def values(self, field: str) -> list[float]:
        """Return one field of all."""
        return [float(getattr(taken, field)) for taken in self.taken]


def main() -> None:
    """Measure everything that was asked for, and write it down."""
    measured.compile_program()
    asked = _asked()
    plot.require()  # rather now than in an hour
    rows: list[Row] = []
    place = Path(tempfile.mkdtemp(prefix="holdstill-bench-", dir=asked.folder))
    try:
        with stage(place / "a", files=asked.files, content_bytes=asked.gigabytes << 30) as on:
            for rate in asked.rates:
                rows += _compare(on, rate, captures=asked.captures, others=asked.others)
        for number, files in enumerate(asked.growth):
            with stage(place / f"g{number}", files=files, content_bytes=1 << 30) as on:
                rows.append(_alone(on, asked.rates[0], captures=asked.captures // 2))
            shutil.rmtree(place / f"g{number}")
    finally:
        shutil.rmtree(place, ignore_errors=True)
    _write_down(rows)


def _asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--files", type=int, default=150_000)
    parser.add_argument("--gigabytes", type=int, default=4)
    parser.add_argument("--rates", type=float, nargs="+", default=[1.0, 20.0])
    parser.add_argument("--captures", type=int, default=10)
    parser.add_argument("--others", type=int, default=3)
    parser.add_argument(
        "--growth", type=int, nargs="*", default=[10_000, 100_000, 300_000, 1_000_000]
    )
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp"))  # noqa: S108
    return parser.parse_args()


def _compare(on: Stage, rate: float, *, captures: int, others: int) -> list[Row]:
    """Measure every way under one load, one after the other."""
    with load(on.root, rate=rate) as writing:
        ways.holdstill(on, writing)  # the first capture copies everything; it is not counted
        restatting = Restatting(on.root)
        ways.rsync_frozen(on, writing)
        found: list[tuple[str, Callable[[], Taken], int]] = [
            ("holdstill", lambda: ways.holdstill(on, writing), captures),
            ("restat in the pause", lambda: restatting.take(writing), others),
            ("rsync in the freeze", lambda: ways.rsync_frozen(on, writing), others),
            ("services stopped for rsync", lambda: ways.rsync_stopped(on, writing), others),
        ]
        return [_measured(way, take, count, on, rate) for way, take, count in found]


def _alone(on: Stage, rate: float, *, captures: int) -> Row:
    with load(on.root, rate=rate) as writing:
        ways.holdstill(on, writing)
        return _measured(
            "holdstill", lambda: ways.holdstill(on, writing), max(3, captures), on, rate
        )


def _measured(way: str, take: Callable[[], Taken], count: int, on: Stage, rate: float) -> Row:
    taken: list[Taken] = []
    while len(taken) < count:
        try:
            taken.append(take())
        except ThawedError:
            continue
        _say(f"{way}, {on.files} files, {rate} MB/s: {taken[-1]}")
    return Row(way, on.files, rate, tuple(taken))


def _say(text: str) -> None:
    sys.stderr.write(text + "\n")


def _write_down(rows: list[Row]) -> None:
    RESULTS.mkdir(exist_ok=True)
    data = json.dumps([asdict(row) for row in rows], indent=1)
    (RESULTS / "pause.json").write_text(data + "\n", encoding="utf-8")
    (RESULTS / "pause.md").write_text(_page(rows), encoding="utf-8")
    points = [
        plot.Point(row.way, row.files, row.rate, row.median("held"), row.median("stall"))
        for row in rows
    ]
    plot.draw(points, RESULTS / "pause.png")
    sys.stdout.write(_page(rows))


PAGE = """\
# The pause, measured

Command: `sudo PYTHONPATH=tests .venv/bin/python {command}`

Machine: {machine}, {processors} processors, Linux {release}; a loop device on its disk. Ratios
count, not absolute numbers. Nothing here was measured on a card or on an Arm board.

*held*: nothing could be written. *stall*: the longest wait, meanwhile, of a program that commits
to SQLite. Milliseconds, median (least to most).

| files | MB/s | way | n | held | stall | rounds | copied in the pause | whole |
| ---: | ---: | --- | ---: | ---: | ---: | ---: | ---: | ---: |
"""


def _page(rows: list[Row]) -> str:
    head = PAGE.format(
        command=" ".join(sys.argv),
        machine=platform.machine(),
        processors=len(os.sched_getaffinity(0)),
        release=platform.release(),
    )
    return head + "".join(_line(row) + "\n" for row in rows)


def _line(row: Row) -> str:
    return (
        f"| {row.files} | {row.rate:g} | {row.way} | {len(row.taken)} | {_spread(row, 'held')} "
        f"| {_spread(row, 'stall')} | {row.median('rounds'):g} "
        f"| {row.median('copied') / 1e6:.1f} MB | {row.median('seconds'):.1f} s |"
    )


def _spread(row: Row, field: str) -> str:
    values = sorted(1000 * value for value in row.values(field))
    return f"{statistics.median(values):.0f} ({values[0]:.0f} to {values[-1]:.0f})"


if __name__ == "__main__":
    main()
