"""Measure a night on which nothing has changed, beside rsync with nothing to do.

    sudo PYTHONPATH=tests .venv/bin/python tests/bench/nights/run.py

Takes a quarter of an hour, 30 GB of disk below --folder, and a machine that does nothing else: the
page cache is dropped before every run. Only ratios of numbers of one run mean anything. What the
keeper does after the board has gone is waited for, and counted.
Results go to tests/bench/results/.
"""

from __future__ import annotations

import argparse
import fcntl
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from bench import measured
from bench.pause.stage import stage
from bench.pause.ways import DEGRADED, RSYNC
from support import session_hosts

if TYPE_CHECKING:
    import resource
    from collections.abc import Sequence

    from bench.pause.stage import Stage

BLOCK = 512
"""What getrusage(2) counts reads in."""


@dataclass(frozen=True)
class Night:
    """One run.

    Attributes:
        seconds: from start to end.
        read: bytes that the board's side read from the disk.
        memory: most bytes that one of its processes had resident.
        afterwards: seconds that the keeper went on when the board had gone.
    """

    way: str
    seconds: float
    read: int
    memory: int
    afterwards: float = 0.0

    @property
    def whole(self) -> float:
        """Seconds until both sides are at rest."""
        return self.seconds + self.afterwards


def main() -> None:
    """Measure, and write it down."""
    measured.compile_program()
    asked = _asked()
    place = Path(tempfile.mkdtemp(prefix="holdstill-bench-", dir=asked.folder))
    try:
        with (
            session_hosts.usual(),
            stage(place / "a", files=asked.files, content_bytes=asked.gigabytes << 30) as on,
        ):
            nights = _measured(on, count=asked.count)
    finally:
        shutil.rmtree(place, ignore_errors=True)
    measured.write_down(f"nights-{asked.files}", nights, _page(nights, files=asked.files))


def _asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--files", type=int, default=150_000)
    parser.add_argument("--gigabytes", type=int, default=4)
    parser.add_argument("--count", type=int, default=5)
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp"))  # noqa: S108
    return parser.parse_args()


def _measured(on: Stage, *, count: int) -> list[Night]:
    holdstill = (sys.executable, "-m", "holdstill", "capture", "--settings", on.kept.settings)
    rsync = (*RSYNC, f"{on.root}/", f"{on.folder}/by-rsync/")
    lock = on.kept.store / "boards/pier-3/latest.lock"
    for words in (holdstill, rsync):  # the first copies of everything
        _night("first", words, lock)
    nights = []
    for _ in range(count):
        nights.append(_night("holdstill", holdstill, lock))
        nights.append(_night("rsync -aHAX", rsync, lock))
    return nights


def _night(way: str, words: Sequence[str | Path], lock: Path) -> Night:
    measured.drop_caches()
    with subprocess.Popen(words, stdout=subprocess.DEVNULL) as process:
        began = time.monotonic()
        _, status, used = os.wait4(process.pid, 0)
        seconds = time.monotonic() - began
        process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode in {0, DEGRADED}, f"{words}: {process.returncode}"
    night = replace(_spent(way, seconds, used), afterwards=settled(lock))
    sys.stderr.write(f"{night}\n")
    return night


def settled(lock: Path) -> float:
    """Wait until the keeper has refreshed the latest tree; return how long that took.

    It begins at once; when nobody has had the lock for a second, it is over.
    """
    began = ended = time.monotonic()
    while time.monotonic() - ended < 1:
        with lock.open("ab") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                ended = time.monotonic()
        time.sleep(0.01)
    return round(ended - began, 2)


def _spent(way: str, seconds: float, used: resource.struct_rusage) -> Night:
    """Sum up what a process, and all that it waited for, have used."""
    return Night(way, seconds, used.ru_inblock * BLOCK, used.ru_maxrss << 10)


PAGE = """\
# A night without changes, measured

Command: `sudo PYTHONPATH=tests .venv/bin/python {command}`

Machine: {machine}, {processors} processors, Linux {release}; a loop device on its disk, the page
cache dropped before each run. {files:,} files; the keeper is behind SSH on this machine, with its
session host. Medians
(least to most). Only the ratio counts. When the board has gone, the keeper brings its tree of the
newest capture up to date; that took {afterwards:.2f} s (median), which are counted.

| way | n | whole | read by the board's side | resident at most |
| --- | ---: | ---: | ---: | ---: |
"""


def _page(nights: list[Night], *, files: int) -> str:
    head = PAGE.format(
        **measured.machine(),
        files=files,
        afterwards=statistics.median(n.afterwards for n in nights if n.way == "holdstill"),
    )
    lines = [_line(way, nights) for way in ("holdstill", "rsync -aHAX")]
    ours, theirs = (_median(nights, way) for way in ("holdstill", "rsync -aHAX"))
    return head + "\n".join(lines) + f"\n\nRatio of the medians: {ours / theirs:.2f}\n"


def _median(nights: list[Night], way: str) -> float:
    return statistics.median(night.whole for night in nights if night.way == way)


def _line(way: str, nights: list[Night]) -> str:
    mine = [night for night in nights if night.way == way]
    seconds = sorted(night.whole for night in mine)
    return (
        f"| {way} | {len(mine)} | {_median(nights, way):.2f} s "
        f"({seconds[0]:.2f} to {seconds[-1]:.2f}) "
        f"| {statistics.median(night.read for night in mine) / 1e6:.1f} MB "
        f"| {max(night.memory for night in mine) / (1 << 20):.1f} MiB |"
    )


if __name__ == "__main__":
    main()
