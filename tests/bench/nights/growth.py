"""Measure what a store grows by, night after night, when little has changed, and when nothing has.

    sudo PYTHONPATH=tests .venv/bin/python tests/bench/nights/growth.py

Takes some 20 minutes, 30 GB of disk below --folder, and a machine whose loopback device carries
nothing else: what went over the wire is read from its counter, headers of TCP and IP included.
Results go to tests/bench/results/.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import statistics
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bench import measured
from bench.nights.run import settled
from bench.pause.stage import stage
from bench.pause.ways import DEGRADED
from support import boards

if TYPE_CHECKING:
    from bench.pause.stage import Stage

BYTES_A_FILE = 20_000
KIB = 1024


@dataclass(frozen=True)
class Usage:
    """What a folder takes: bytes on the disk, and inodes; a file with several names once."""

    allocated: int
    inodes: int


@dataclass(frozen=True)
class Growth:
    """One night.

    Attributes:
        files, changed: how many files were written anew before it, and their bytes.
        allocated, inodes: what the store grew by.
        wire: bytes in both directions, with everything that travels beside them.
        seconds: of the capture; afterwards: for which the keeper went on without the board.
    """

    files: int
    changed: int
    allocated: int
    inodes: int
    wire: int
    seconds: float
    afterwards: float


def main() -> None:
    """Measure, and write it down."""
    measured.compile_program()
    asked = _asked()
    place = Path(tempfile.mkdtemp(prefix="holdstill-bench-", dir=asked.folder))
    try:
        with stage(place / "a", files=asked.files, content_bytes=asked.gigabytes << 30) as on:
            _capture(on)
            nights = [_night(on, seed=n, files=asked.changed) for n in range(asked.nights)]
            nights += [_night(on, seed=0, files=0) for _ in range(asked.quiet)]
    finally:
        shutil.rmtree(place, ignore_errors=True)
    measured.write_down(f"growth-{asked.files}", nights, _page(nights, files=asked.files))


def _asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--files", type=int, default=150_000)
    parser.add_argument("--gigabytes", type=int, default=4)
    parser.add_argument("--nights", type=int, default=30)
    parser.add_argument("--changed", type=int, default=100)
    parser.add_argument("--quiet", type=int, default=5)
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp"))  # noqa: S108
    return parser.parse_args()


def _night(on: Stage, *, seed: int, files: int) -> Growth:
    changed = _change(on, random.Random(seed), files)  # noqa: S311
    before, sent = _usage(on.kept.store), _loopback()
    seconds = _capture(on)
    afterwards = settled(on.kept.store / "boards/pier-3/latest.lock")
    after = _usage(on.kept.store)
    night = Growth(
        files,
        changed,
        after.allocated - before.allocated,
        after.inodes - before.inodes,
        _loopback() - sent,
        round(seconds, 2),
        afterwards,
    )
    sys.stderr.write(f"{night}\n")
    return night


def _capture(on: Stage) -> float:
    began = time.monotonic()
    boards.holdstill(
        "capture", "--settings", on.kept.settings, accepted=(0, DEGRADED), timeout=3600
    )
    return time.monotonic() - began


def _change(on: Stage, chance: random.Random, count: int) -> int:
    """Give so many files other contents, each its own; return their bytes."""
    every = sorted((on.root / "srv/readings").rglob("*.dat"))
    for path in chance.sample(every, count):
        path.write_bytes(os.urandom(BYTES_A_FILE))
    return count * BYTES_A_FILE


def _usage(folder: Path) -> Usage:
    """Walk a folder: what `du` and `df -i` count."""
    found = {}
    for directory, directories, names in os.walk(folder):
        for name in (*directories, *names):
            state = Path(directory, name).lstat()
            found[state.st_ino] = state.st_blocks * 512
    return Usage(sum(found.values()), len(found))


def _loopback() -> int:
    """Return the bytes that lo has received, which is what both ends have sent."""
    for line in Path("/proc/net/dev").read_text(encoding="ascii").splitlines():
        name, _, counters = line.partition(":")
        if name.strip() == "lo":
            return int(counters.split()[0])
    raise LookupError("lo")


PAGE = """\
# What a store grows by

Command: `sudo PYTHONPATH=tests .venv/bin/python {command}`

Machine: {machine}, {processors} processors, Linux {release}; the keeper is behind SSH on this
machine. {files:,} files. Growth and wire beyond the bytes that changed: median (most) of n nights.

| nights | n | changed | store grew | inodes | over the wire | capture | keeper afterwards |
| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |
"""


def _page(nights: list[Growth], *, files: int) -> str:
    head = PAGE.format(
        **measured.machine(),
        files=files,
    )
    kinds = sorted({night.files for night in nights}, reverse=True)
    lines = [_line([night for night in nights if night.files == kind]) for kind in kinds]
    return head + "\n".join(lines) + "\n"


def _line(nights: list[Growth]) -> str:
    columns = [
        _kib([n.allocated - n.changed for n in nights]),
        _numbers([n.inodes - n.files for n in nights]),
        _kib([n.wire - n.changed for n in nights]),
        f"{statistics.median(n.seconds for n in nights):.2f} s",
        f"{statistics.median(n.afterwards for n in nights):.2f} s",
    ]
    first = nights[0]
    head = f"{first.files} files | {len(nights)} | {first.changed / KIB:.0f} KiB"
    return f"| {head} | " + " | ".join(columns) + " |"


def _kib(values: list[int]) -> str:
    return f"{statistics.median(values) / KIB:.0f} ({max(values) / KIB:.0f}) KiB"


def _numbers(values: list[int]) -> str:
    return f"{statistics.median(values):.0f} ({max(values)})"


if __name__ == "__main__":
    main()
