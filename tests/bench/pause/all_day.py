"""Measure what nights read from the card, where the daemon follows large files all day.

    sudo PYTHONPATH=tests .venv/bin/python tests/bench/pause/all_day.py

Takes some ten minutes and 15 GB of disk below --folder. Bytes are counted, not time, so what else
the machine does matters little. Captures are taken in one process, as the daemon's are; before
each of them, all that memory holds of files is forgotten. Results go to tests/bench/results/.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bench import measured
from bench.pause.stage import SCRIPT, fill
from holdstill.board import block_trace
from support import boards, captures_in_a_row

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.captures_in_a_row import Captures

GIB = 1 << 30
SECTOR = 512
"""What /sys/block/*/stat counts in (Documentation/block/stat.rst of Linux)."""
PIECE = 1 << 20
FILES, THEIR_BYTES = 5000, 200 << 20
WRITES, BYTES_A_WRITE = 1000, 4096
"""Places of the file that are written in a changed day, and bytes of each."""


@dataclass(frozen=True)
class Night:
    """One capture.

    Attributes:
        read: bytes that were read from the card.
        hashed: bytes of files that were read and hashed while services ran.
        spooled: bytes that the pause took to memory.
        how: of the root partition's large files.
    """

    night: str
    read: int
    hashed: int
    spooled: int
    how: str


def main() -> None:
    """Measure, and write it down."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--gigabytes", type=float, default=4)
    parser.add_argument("--nights", type=int, default=3)
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp"))  # noqa: S108  a disk
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="holdstill-bench-", dir=asked.folder) as name:
        nights = list(_nights(Path(name), int(asked.gigabytes * GIB), asked.nights))
    measured.write_down("all-day", nights, _page(nights, asked.gigabytes))


def _nights(folder: Path, size: int, count: int) -> Iterator[Night]:
    with boards.running(folder, script=SCRIPT, size=size + 2 * GIB) as board:
        fill(board.root, files=FILES, content_bytes=THEIR_BYTES)
        file = board.root / "srv/readings.db"
        _write(file, size)
        card = board.disk.device.name
        with (
            boards.kept(folder, board) as kept,
            captures_in_a_row.running(kept.settings, file) as captures,
        ):
            yield _night("first", card, captures)
            yield _night("second, unchanged", card, captures)
            _change(file, size)
            yield _night("after a day of changes", card, captures)
            for _ in range(count):
                yield _night("unchanged", card, captures)
            for _ in range(count):
                _change(file, size)
                yield _night("after a day of changes", card, captures)


def _night(night: str, card: str, captures: Captures) -> Night:
    measured.drop_caches()
    before = _sectors_read(card)
    taken = captures.take()
    read = (_sectors_read(card) - before) * SECTOR
    return Night(night, read, taken.hashed, taken.spooled, ", ".join(filter(None, taken.how)))


def _sectors_read(card: str) -> int:
    return int(Path(f"/sys/block/{card}/stat").read_text(encoding="ascii").split()[2])


def _write(file: Path, size: int) -> None:
    file.parent.mkdir(exist_ok=True)
    with file.open("wb") as database:
        for _ in range(size // PIECE):
            database.write(os.urandom(PIECE))


def _change(file: Path, size: int) -> None:
    """Write at so many places, evenly spread."""
    handle = os.open(file, os.O_WRONLY)
    for number in range(WRITES):
        os.pwrite(handle, os.urandom(BYTES_A_WRITE), number * (size // WRITES))
    os.fsync(handle)
    os.close(handle)
    # What was written just now is told twice, and at rest that is so for as long.
    time.sleep(block_trace.REST + 2 * block_trace.GRACE)


PAGE = """\
# What nights read from the card, with a large file that is followed all day

Command: `sudo PYTHONPATH=tests .venv/bin/python {command}`

Machine: {machine}, {processors} processors, Linux {release}; ext4 on a loop device, 5,000 small
files of 200 MB, and one of {gigabytes:g} GiB. All captures by one process, as the daemon's;
nothing of the card is in memory before each of them. A day of changes is {writes} writes of
{bytes} bytes all over the large file, ten seconds before the night at the latest.

| night | large files | read from the card | hashed | copied in the pause |
| --- | --- | ---: | ---: | ---: |
"""


def _page(nights: list[Night], gigabytes: float) -> str:
    head = PAGE.format(
        **measured.machine(), gigabytes=gigabytes, writes=WRITES, bytes=BYTES_A_WRITE
    )
    return head + "".join(
        f"| {one.night} | {one.how} | {one.read / 1e6:.1f} MB | {one.hashed / 1e6:.1f} MB | "
        f"{one.spooled / 1e6:.1f} MB |\n"
        for one in nights
    )


if __name__ == "__main__":
    main()
