"""Measure the pause of a board with a large database: by holdstill, by rsync, and copied whole.

    .venv/bin/pip install matplotlib
    sudo PYTHONPATH=tests .venv/bin/python tests/bench/pause/large.py

Takes some two hours, 30 GB of disk below --folder, memory for a copy of the largest database, and
a machine that does nothing else. The board has 300 MB of memory for the pause. Only ratios of
numbers of one run mean anything. The results go to tests/bench/results/.
"""

from __future__ import annotations

import argparse
import itertools
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bench import measured
from bench.pause import plot, ways
from bench.pause.stage import MEMORY, SCRIPT, SETTINGS, Load, Stage, fill
from bench.pause.ways import Taken, ThawedError
from support import boards, loop

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

GIB = 1 << 30
SMALL_FILES, THEIR_BYTES = 5000, 200 << 20
DATABASES = Path(__file__).with_name("databases.py")
OWN, RSYNC, WHOLE = "holdstill", "rsync in the freeze", "copied whole"
SETTLED = 5.0
"""Seconds of commits before the first capture, and between captures."""


@dataclass(frozen=True)
class Case:
    """A database and what is done to it.

    Attributes:
        size: bytes; 0 for a board without it.
        rate: commits a second; 0 for as many as there can be.
    """

    size: int = 0
    kind: str = ""
    journal: str = ""
    rate: float = 0.0

    def __str__(self) -> str:
        if not self.size:
            return "no database"
        pace = f"{self.rate:g} commits/s" if self.rate else "unthrottled"
        return f"{self.size / GIB:g} GiB, {self.kind}, {self.journal}, {pace}"


@dataclass(frozen=True)
class Row:
    """One way with one database."""

    case: Case
    way: str
    taken: tuple[Taken, ...]

    def values(self, field: str) -> list[float]:
        """Return one field of all."""
        return [float(getattr(taken, field)) for taken in self.taken]

    def median(self, field: str) -> float:
        """Return the median of one field."""
        return statistics.median(self.values(field))


def main() -> None:
    """Measure everything that was asked for, and write it down."""
    asked = _asked()
    plot.require()  # rather now than in two hours
    rows: list[Row] = []
    for case in [Case(), *_cases(asked)]:
        folder = Path(tempfile.mkdtemp(prefix="holdstill-bench-", dir=asked.folder))
        try:
            rows += _measure(case, folder, asked)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
    measured.write_down(asked.name, rows, _page(rows))
    bars = [(f"{row.case}: {row.way}", row.median("held")) for row in rows]
    plot.draw_bars(bars, measured.RESULTS / f"{asked.name}.png")


def _asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--gigabytes", type=float, nargs="+", default=[1, 2, 4])
    parser.add_argument("--kinds", nargs="+", default=["random", "recorder"])
    parser.add_argument("--journals", nargs="+", default=["delete", "wal"])
    parser.add_argument("--rates", type=float, nargs="+", default=[20, 0])
    parser.add_argument("--captures", type=int, default=5)
    parser.add_argument("--others", type=int, default=3)
    parser.add_argument("--memory", type=int, default=300, help="MB for the pause")
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp"))  # noqa: S108
    parser.add_argument("--name", default="pause-large", help="of the results")
    return parser.parse_args()


def _cases(asked: argparse.Namespace) -> Iterator[Case]:
    for size, kind, journal, rate in itertools.product(
        asked.gigabytes, asked.kinds, asked.journals, asked.rates
    ):
        yield Case(int(size * GIB), kind, journal, rate)


def _measure(case: Case, folder: Path, asked: argparse.Namespace) -> Iterator[Row]:
    with _board(case, folder, asked.memory) as (on, database), _written(case, database) as load:
        ways.holdstill(on, load)  # the first capture takes everything; it is not counted
        yield _row(case, OWN, lambda: ways.holdstill(on, load), asked.captures)
        if not case.size:
            return
        ways.rsync_frozen(on, load)
        yield _row(case, RSYNC, lambda: ways.rsync_frozen(on, load), asked.others)
        yield _row(case, WHOLE, lambda: ways.copied_whole(on, load, database), asked.others)


def _row(case: Case, way: str, take: Callable[[], Taken], count: int) -> Row:
    taken: list[Taken] = []
    while len(taken) < count:
        time.sleep(SETTLED)
        try:
            taken.append(take())
        except ThawedError:
            continue
        sys.stderr.write(f"{case}, {way}: {taken[-1]}\n")
    return Row(case, way, tuple(taken))


@contextmanager
def _board(case: Case, folder: Path, memory: int) -> Iterator[tuple[Stage, Path]]:
    size = int(2.5 * case.size) + 2 * GIB
    with boards.running(folder, script=SCRIPT, size=size) as board:
        files, count = fill(board.root, files=SMALL_FILES, content_bytes=THEIR_BYTES)
        database = board.root / "srv/readings.db"
        with (
            boards.kept(folder, board, more=SETTINGS) as kept,
            loop.mounted(
                Path("tmpfs"), kept.spool, kind="tmpfs", options=f"size={memory}m,mode=700"
            ),
        ):
            yield Stage(board, kept, folder, files, count), database


@contextmanager
def _written(case: Case, database: Path) -> Iterator[Load]:
    notes = Path(tempfile.mkdtemp(prefix="holdstill-bench-", dir=MEMORY))
    if not case.size:
        (notes / "commit").touch()
        yield Load(notes, ())
        shutil.rmtree(notes)
        return
    words = [database, case.size, case.kind, case.journal, case.rate, notes]
    process = subprocess.Popen([sys.executable, DATABASES, *map(str, words)], cwd="/")
    try:
        while not (notes / "running").exists():
            assert process.poll() is None, "the database's writer ended"
            time.sleep(0.1)
        yield Load(notes, (process.pid,))
    finally:
        (notes / "stop").touch()
        loop.thaw(database.parents[1])  # whatever happened: a frozen writer cannot end
        process.wait(timeout=120)
        shutil.rmtree(notes)


PAGE = """\
# The pause of a board with a large database, measured

Command: `sudo PYTHONPATH=tests .venv/bin/python {command}`

Machine: {machine}, {processors} processors, Linux {release}; a loop device on its disk. Ratios
count, not absolute numbers. Nothing here was measured on a card or on an Arm board.

*held*: nothing could be written. *stall*: the longest wait, meanwhile, of the program that commits
to the database. Milliseconds, median (least to most). *to none*: held, to that of the board
without a database.

| board | way | n | held | to none | stall | rounds | copied in the pause | whole |
| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |
"""


def _page(rows: list[Row]) -> str:
    base = rows[0].median("held")
    return PAGE.format(**measured.machine()) + "".join(_line(row, base) + "\n" for row in rows)


def _line(row: Row, base: float) -> str:
    return (
        f"| {row.case} | {row.way} | {len(row.taken)} | {_spread(row, 'held')} "
        f"| {row.median('held') / base:.2f} | {_spread(row, 'stall')} "
        f"| {row.median('rounds'):g} | {row.median('copied') / 1e6:.1f} MB "
        f"| {row.median('seconds'):.1f} s |"
    )


def _spread(row: Row, field: str) -> str:
    values = sorted(1000 * value for value in row.values(field))
    return f"{statistics.median(values):.0f} ({values[0]:.0f} to {values[-1]:.0f})"


if __name__ == "__main__":
    main()
