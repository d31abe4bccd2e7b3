"""Measure a capture, a verification and a thinning beside a page that is asked all the time.

    PYTHONPATH=tests .venv/bin/python tests/bench/page/beside.py

Each is done by the command itself, on a fresh copy of the same store, with a page of that store:
asked for nothing, and asked for its pages one after the other, in turns. What asks steps back for
all others, since it would be another machine.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from bench import measured
from holdstill.keeper import enrolment
from holdstill.keeper import store as stores
from holdstill.model import names
from holdstill.system.clocks import SystemClock
from support import boards, keys, page_visitor, plain_board, signed_store
from support.keeping import FakeClock

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.boards import Nearby

BOARDS, CAPTURES, CHANGED = 5, 10, 50
"""Boards that are there already, captures of each, and files that differ from one to the next."""
FILES, SIZE = 2000, 40_000
"""Files of the board that is captured, and the bytes of each."""
RULE = "retention: {days: 0, weeks: 0, months: 0, years: 0, at_least: 1}\n"
STEPS = ("capture", "verify", "thin")


@dataclass
class Run:
    """Seconds of a step, alone and beside the page; how many pages were answered meanwhile."""

    step: str
    alone: list[float]
    beside: list[float]
    pages: int

    @property
    def line(self) -> str:
        """A line of a table."""
        alone, beside = statistics.median(self.alone), statistics.median(self.beside)
        return (
            f"| {self.step} | {alone:.2f} | {beside:.2f} | {beside / alone:.2f} | {self.pages} |"
        )


def main() -> None:
    """Run it and write down what came out."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--times", type=int, default=5)
    words.add_argument("--port", type=int, default=8644)
    words.add_argument("--folder", default="/var/tmp")  # noqa: S108  a disk, not memory
    words.add_argument("--ask", nargs=2, help="a session, and a board: ask until ended")
    chosen = words.parse_args()
    if chosen.ask:
        asking(page_visitor.Visitor(chosen.port, chosen.ask[0]), chosen.ask[1])
        return
    runs = {step: Run(step, [], [], 0) for step in STEPS}
    with (
        tempfile.TemporaryDirectory(dir=chosen.folder) as name,
        board(Path(name)) as kept,
    ):
        for _ in range(chosen.times):
            for is_asked in (False, True):
                done(kept, Path(name), chosen.port, runs, is_asked=is_asked)
    head = "".join(f"{key}: {value}\n" for key, value in measured.machine().items())
    table = "\n".join(run.line for run in runs.values())
    measured.write_down(
        "page-beside",
        list(runs.values()),
        f"""# What the keeper does beside its page

{head}
Seconds, median of n={chosen.times}, in turns: with a page that is asked for nothing, and with one
that is asked for its overview and a board's page all the time. A capture of {FILES:,} files of
{SIZE:,} bytes; a verification of all that is then in the store; a thinning of {BOARDS} boards from
{CAPTURES} captures each to one.

| step | alone | beside the page | ratio | pages answered |
|---|---|---|---|---|
{table}
""",
    )


@contextmanager
def board(folder: Path) -> Iterator[Nearby]:
    """Hold a board that was not captured yet, and a store with captures of others."""
    root = folder / "root"
    for number in range(FILES):
        place = root / f"srv/{number // 100:03}"
        place.mkdir(parents=True, exist_ok=True)
        (place / f"{number:06}").write_bytes(os.urandom(SIZE))
    card = plain_board.make_card(folder)
    with boards.kept_nearby(folder, root, more=f"disks: [{card}]\n") as kept:
        store = stores.open_store(kept.store)
        for name in (f"buoy-{number}" for number in range(BOARDS)):
            pair = keys.make_key(folder / name)
            enrolment.enrol(store, names.check_board(name), pair.public, clock=SystemClock(),
                            limits=None)  # fmt: skip
            clock = FakeClock(datetime.now(UTC) - timedelta(days=CAPTURES + 1))
            for night in range(CAPTURES):
                mark = b"%d of %s " % (night, name.encode())
                files = {b"srv/%04d" % n: mark * (n + 1) for n in range(CHANGED)}
                signed_store.capture(store, name, pair.private, files, clock=clock)
                clock.advance(86_400)
        shutil.move(kept.store, folder / "first")
        (folder / "keeper.yaml").write_text(f"store: {kept.store}\n{RULE}", encoding="ascii")
        yield kept


def done(kept: Nearby, folder: Path, port: int, runs: dict[str, Run], *, is_asked: bool) -> None:
    """Do each step once on a fresh copy of the store."""
    for place in (kept.store, folder / "state"):
        shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(folder / "first", kept.store, symlinks=True)
    os.sync()
    settings = str(folder / "keeper.yaml")
    lines = {
        "capture": ("capture", "--settings", str(kept.settings)),
        "verify": ("verify", "--store", str(kept.store)),
        "thin": ("thin", "--apply", "--settings", settings, "--store", str(kept.store)),
    }
    with page_visitor.served(kept.store, port) as (somebody, _):
        somebody.text("/")
        for step in STEPS:
            with asked(somebody, folder / "pages", is_asked=is_asked):
                begun = time.monotonic()
                ended = subprocess.run(
                    [*boards.PROGRAM, *lines[step]], check=False, capture_output=True
                )
                took = time.monotonic() - begun
                assert ended.returncode in {0, boards.NO_KERNEL}, ended
            (runs[step].beside if is_asked else runs[step].alone).append(took)
            if is_asked:
                runs[step].pages += int((folder / "pages").read_text(encoding="ascii"))


@contextmanager
def asked(somebody: page_visitor.Visitor, count: Path, *, is_asked: bool) -> Iterator[None]:
    """Have a page asked all the time by a process of its own, that writes how often."""
    if not is_asked:
        yield
        return
    words = ["nice", "-n", "19", sys.executable, __file__, "--port", str(somebody.port)]
    with (
        count.open("wb") as output,
        subprocess.Popen([*words, "--ask", somebody.cookie, "buoy-1"], stdout=output) as asker,
    ):
        try:
            while not count.stat().st_size:  # until it has begun
                time.sleep(0.1)
            yield
        finally:
            asker.terminate()


def asking(somebody: page_visitor.Visitor, name: str) -> None:
    """Ask until somebody ends this."""
    count = 0
    while True:
        for page in ("/", f"/boards/{name}"):
            somebody.text(page)
            count += 1
            sys.stdout.seek(0)
            sys.stdout.write(f"{count}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
