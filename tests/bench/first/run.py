"""Measure a board's first capture, beside `tar | ssh tar` of the same tree.

    sudo PYTHONPATH=tests .venv/bin/python tests/bench/first/run.py

Takes some 15 minutes, 20 GB of disk below --folder, and a machine that does nothing else: the page
cache is dropped before every run. Only the ratio of the medians means anything. Both ends are on
this machine, and share its processors. Results go to tests/bench/results/.
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
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bench import measured
from bench.pause.stage import SCRIPT, SETTINGS, Stage, fill
from bench.pause.ways import DEGRADED
from support import boards, session_hosts

if TYPE_CHECKING:
    from collections.abc import Callable

    from support.boards import Board, Kept

HOLDSTILL, TAR = "holdstill", "tar | ssh tar"


@dataclass(frozen=True)
class First:
    """One copy of the whole tree: seconds on the clock, and of both sides' processors."""

    way: str
    seconds: float
    processor: float


def main() -> None:
    """Measure, and write it down."""
    measured.compile_program()
    asked = _asked()
    place = Path(tempfile.mkdtemp(prefix="holdstill-bench-", dir=asked.folder))
    try:
        size = 2 * asked.megabytes * 1_000_000 + asked.files * 6000 + (1 << 30)
        mkfs = ("-N", str(int(asked.files * 1.3) + 20_000))
        (place / "a").mkdir()
        with (
            session_hosts.usual(),
            boards.running(place / "a", script=SCRIPT, size=size, mkfs=mkfs) as board,
        ):
            files, content = fill(
                board.root, files=asked.files, content_bytes=asked.megabytes * 1_000_000
            )
            runs = []
            for number in range(asked.count):
                for way, copy in ((HOLDSTILL, _capture), (TAR, _tar)):
                    folder = place / f"{number}-{way[0]}"
                    folder.mkdir()
                    runs.append(_copied(board, folder, way, copy))
                    shutil.rmtree(folder)
    finally:
        shutil.rmtree(place, ignore_errors=True)
    measured.write_down("first", runs, _page(runs, files=files, content=content))


def _asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--files", type=int, default=80_000)
    parser.add_argument("--megabytes", type=int, default=1800)
    parser.add_argument("--count", type=int, default=5)
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp"))  # noqa: S108
    return parser.parse_args()


def _copied(board: Board, folder: Path, way: str, copy: Callable[[Stage], None]) -> First:
    with boards.kept(folder, board, more=SETTINGS) as kept:
        on = Stage(board, kept, folder, 0, 0)
        measured.drop_caches()
        began, used = time.monotonic(), _busy()
        copy(on)
        seconds = time.monotonic() - began
        run = First(way, round(seconds, 2), round(_busy() - used, 2))
        if way == HOLDSTILL:
            _await_keeper(kept)
    sys.stderr.write(f"{run}\n")
    return run


def _await_keeper(kept: Kept) -> None:
    """Wait until its tree of the newest capture is made: it would slow the next way."""
    folder, deadline = kept.store / "boards/pier-3", time.monotonic() + 60
    while not (folder / "latest/capture").exists():  # which capture it shows
        assert time.monotonic() < deadline, "the keeper makes no tree"
        time.sleep(0.1)
    with (folder / "latest.lock").open("rb") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)


def _busy() -> float:
    """Return the seconds that this machine's processors have worked (proc_stat(5))."""
    first = Path("/proc/stat").read_text(encoding="ascii").splitlines()[0].split()
    user, nice, system, _idle, _wait, interrupts, soft = map(int, first[1:8])
    return (user + nice + system + interrupts + soft) / os.sysconf("SC_CLK_TCK")


def _capture(on: Stage) -> None:
    boards.holdstill(
        "capture", "--settings", on.kept.settings, accepted=(0, DEGRADED), timeout=3600
    )


def _tar(on: Stage) -> None:
    """What a person would type; what arrives is on the disk, as a capture is."""
    server = on.kept.server
    (on.folder / "by-tar").mkdir()
    server.authorize(Path(f"{server.client_key}.pub").read_text(encoding="ascii").strip())
    ssh = server.client(f"tar -C {on.folder}/by-tar -x && sync -f {on.folder}/by-tar")
    with subprocess.Popen(
        ["tar", "-C", str(on.root), "--one-file-system", "-c", "."], stdout=subprocess.PIPE
    ) as tar:
        subprocess.run(ssh, stdin=tar.stdout, check=True)
    assert tar.returncode == 0


PAGE = """\
# A first capture, measured

Command: `sudo PYTHONPATH=tests .venv/bin/python {command}`

Machine: {machine}, {processors} processors for both sides, Linux {release}; a loop device on its
disk, the page cache dropped before each run, the ways in turn; the keeper has its session host.
{files:,} files, {content:.2f} GB.
Medians (least to most). Only the ratio counts.

| way | n | whole | processors of both sides |
| --- | ---: | ---: | ---: |
"""


def _page(runs: list[First], *, files: int, content: int) -> str:
    head = PAGE.format(
        **measured.machine(),
        files=files,
        content=content / 1e9,
    )
    ours, theirs = (_median(runs, way) for way in (HOLDSTILL, TAR))
    lines = [_line(runs, way) for way in (HOLDSTILL, TAR)]
    return head + "\n".join(lines) + f"\n\nRatio of the medians: {ours / theirs:.2f}\n"


def _median(runs: list[First], way: str) -> float:
    return statistics.median(run.seconds for run in runs if run.way == way)


def _line(runs: list[First], way: str) -> str:
    mine = [run for run in runs if run.way == way]
    seconds = sorted(run.seconds for run in mine)
    work = statistics.median(run.processor for run in mine)
    return (
        f"| {way} | {len(mine)} | {_median(runs, way):.1f} s "
        f"({seconds[0]:.1f} to {seconds[-1]:.1f}) | {work:.1f} s |"
    )


if __name__ == "__main__":
    main()
