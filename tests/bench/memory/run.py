"""Measure the memory that a capture takes on the board, with many entries and with a large file.

    sudo PYTHONPATH=tests .venv/bin/python tests/bench/memory/run.py

Takes some 20 minutes and 15 GB of disk below --folder; what else the machine does matters little,
for memory is measured, not time. Of each board the first capture, one after changes and one after
none are measured. Results go to tests/bench/results/.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bench import measured
from bench.pause.stage import SCRIPT, SETTINGS
from bench.pause.ways import DEGRADED
from support import boards

if TYPE_CHECKING:
    from collections.abc import Callable

    from support.boards import Kept

IN_A_FOLDER, WITH_CONTENT = 1000, 10
"""Files of each folder, and which of them, each so-many-th, has a content."""
PIECE = 1 << 20


@dataclass(frozen=True)
class Held:
    """One capture.

    Attributes:
        entries: of the board.
        peak: most bytes that the board's process, or one that it waited for, had resident.
    """

    board: str
    capture: str
    entries: int
    peak: int


def main() -> None:
    """Measure, and write it down."""
    measured.compile_program()
    asked = _asked()
    runs = [
        *_board(asked, "many entries", asked.entries * 1500, _many(asked.entries), _touch),
        *_board(asked, "one large file", asked.gigabytes << 30, _large(asked), _rewrite),
    ]
    measured.write_down("memory", runs, _page(runs))


def _asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--entries", type=int, default=1_000_000)
    parser.add_argument("--gigabytes", type=int, default=4)
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp"))  # noqa: S108
    return parser.parse_args()


def _board(
    asked: argparse.Namespace,
    name: str,
    room: int,
    fill: Callable[[Path], int],
    change: Callable[[Path], None],
) -> list[Held]:
    place = Path(tempfile.mkdtemp(prefix="holdstill-bench-", dir=asked.folder))
    try:
        (place / "a").mkdir()
        mkfs = ("-N", str(int(asked.entries * 1.3)))
        with (
            boards.running(place / "a", script=SCRIPT, size=room + (1 << 30), mkfs=mkfs) as board,
            boards.kept(place / "a", board, more=SETTINGS) as kept,
        ):
            entries = fill(board.root)
            first = _captured(name, "the first", entries, kept)
            change(board.root)
            changed = _captured(name, "after changes", entries, kept)
            return [first, changed, _captured(name, "after none", entries, kept)]
    finally:
        shutil.rmtree(place, ignore_errors=True)


def _many(entries: int) -> Callable[[Path], int]:
    def fill(root: Path) -> int:
        for number in range(0, entries, IN_A_FOLDER):
            folder = root / f"{number:07}"
            folder.mkdir()
            for file in range(IN_A_FOLDER - 1):
                content = b"%d %d\n" % (number, file) if file % WITH_CONTENT == 0 else b""
                (folder / f"{file:03}.log").write_bytes(content)
        return entries

    return fill


def _touch(root: Path) -> None:
    for number, folder in enumerate(sorted(root.glob("0*"))):
        if number % 10 == 0:
            for file in folder.glob("*0.log"):
                file.write_bytes(b"changed\n")


def _large(asked: argparse.Namespace) -> Callable[[Path], int]:
    def fill(root: Path) -> int:
        with (root / "archive").open("wb") as file:
            for _ in range((asked.gigabytes << 30) // PIECE - 64):
                file.write(os.urandom(PIECE))
        return 1

    return fill


def _rewrite(root: Path) -> None:
    with (root / "archive").open("r+b") as file:
        for number in range(0, 100 * PIECE, 10 * PIECE):
            file.seek(number)
            file.write(os.urandom(8192))


def _captured(board: str, capture: str, entries: int, kept: Kept) -> Held:
    words = (sys.executable, "-m", "holdstill", "capture", "--settings", str(kept.settings))
    with subprocess.Popen(words, stdout=subprocess.DEVNULL) as process:
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode in {0, DEGRADED}, f"{board}, {capture}: {process.returncode}"
    held = Held(board, capture, entries, used.ru_maxrss << 10)
    sys.stderr.write(f"{held}\n")
    return held


PAGE = """\
# Memory of a capture on the board, measured

Command: `sudo PYTHONPATH=tests .venv/bin/python {command}`

Machine: {machine}, {processors} processors, Linux {release}, Python {python}; ext4 on a loop
device, the keeper behind SSH on this machine. Most memory that one process of the board's side had
resident (getrusage(2), ru_maxrss); n = 1 of each.

| board | entries | capture | most resident |
| --- | ---: | --- | ---: |
"""


def _page(runs: list[Held]) -> str:
    python = ".".join(map(str, sys.version_info[:3]))
    head = PAGE.format(**measured.machine(), python=python)
    lines = [
        f"| {run.board} | {run.entries:,} | {run.capture} | {run.peak / (1 << 20):.1f} MiB |"
        for run in runs
    ]
    return head + "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
