"""The board that is measured, and the load on it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from support import boards, loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.boards import Board, Kept

WRITERS = Path(__file__).with_name("writers.py")
MEMORY = Path("/dev/shm")  # noqa: S108  folders there are made by mkdtemp
SHARED_CONTENTS = 2000
"""Generated small files share so many contents, as generated files do."""
SCRIPT = """\
label: dos
label-id: 0x5ca1ab1e
start=8192, size=81920, type=c, bootable
start=90112, type=83
"""
SETTINGS = "full_scan_every: 1000\npause: {target: 0.5, ceiling: 5.0, spool_share: 0.3}\n"


@dataclass(frozen=True)
class Stage:
    """A mounted board with a keeper.

    Attributes:
        files: how many files it has, about.
        content_bytes: what they hold.
    """

    board: Board
    kept: Kept
    folder: Path
    files: int
    content_bytes: int

    @property
    def root(self) -> Path:
        """Where the board's root is mounted."""
        return self.board.root

    @property
    def device(self) -> Path:
        """The device of its root file system."""
        return self.board.disk.partition(2)


@contextmanager
def stage(folder: Path, *, files: int, content_bytes: int) -> Iterator[Stage]:
    """Hold a board with so many files: first the machine's /usr, then small generated ones."""
    size = 2 * content_bytes + files * 6000 + (1 << 30)
    folder.mkdir(parents=True)
    with boards.running(
        folder, script=SCRIPT, size=size, mkfs=("-N", str(int(files * 1.3) + 20_000))
    ) as board:
        made = fill(board.root, files=files, content_bytes=content_bytes)
        with boards.kept(folder, board, more=SETTINGS) as kept:
            yield Stage(board, kept, folder, *made)


def fill(root: Path, *, files: int, content_bytes: int) -> tuple[int, int]:
    """Copy from /usr until half of the files or most of the bytes are there; make the rest up."""
    count, size = _copy_usr(root / "usr", files=files // 2, content_bytes=content_bytes * 9 // 10)
    left = files - count
    each = max(1, (content_bytes - size) // max(1, left))
    contents = [os.urandom(min(each, 20_000)) for _ in range(min(SHARED_CONTENTS, left))]
    for number in range(left):
        folder = root / f"srv/readings/{number // 10_000:03}/{number // 100 % 100:02}"
        if number % 100 == 0:
            folder.mkdir(parents=True)
        (folder / f"{number % 100:02}.dat").write_bytes(contents[number % len(contents)])
    programs.run("sync", "--file-system", root, timeout=600)
    return count + left, size + left * min(each, 20_000)


def _copy_usr(target: Path, *, files: int, content_bytes: int) -> tuple[int, int]:
    count, size = 0, 0
    for directory, directories, names in os.walk("/usr"):
        directories.sort()
        place = target / Path(directory).relative_to("/usr")
        for name in sorted(names):
            source = Path(directory, name)
            length = source.lstat().st_size
            if count >= files or size + length > content_bytes:
                continue
            place.mkdir(parents=True, exist_ok=True)
            shutil.copy2(source, place / name, follow_symlinks=False)
            count, size = count + 1, size + length
    return count, size


@dataclass(frozen=True)
class Load:
    """Running writers."""

    notes: Path
    pids: tuple[int, ...]

    def stall(self, began: float, ended: float, *, writer: str = "commit") -> float:
        """Return the longest wait of a writer that overlaps a span of the monotonic clock."""
        longest = 0.0
        for line in (self.notes / writer).read_text(encoding="ascii").splitlines():
            at, wait = map(float, line.split())
            if at >= began and at - wait <= ended:
                longest = max(longest, wait)
        return longest

    @contextmanager
    def stopped(self) -> Iterator[None]:
        """Keep the writers from running, as a stopped service is."""
        for pid in self.pids:
            os.kill(pid, signal.SIGSTOP)
        try:
            yield
        finally:
            for pid in self.pids:
                os.kill(pid, signal.SIGCONT)


@contextmanager
def load(root: Path, *, rate: float) -> Iterator[Load]:
    """Let writers write to a mounted board at so many megabytes a second."""
    notes = Path(tempfile.mkdtemp(prefix="holdstill-bench-", dir=MEMORY))
    process = subprocess.Popen(
        [sys.executable, WRITERS, root / "var/lib/gauge", str(rate), notes], cwd="/"
    )
    try:
        while not (notes / "running").exists():
            time.sleep(0.05)
        time.sleep(3)  # until the writers have made their files
        pids = tuple(map(int, (notes / "running").read_text(encoding="ascii").split()))
        yield Load(notes, pids)
    finally:
        (notes / "stop").touch()
        loop.thaw(root)  # whatever happened: frozen writers cannot end
        process.wait(timeout=60)
        shutil.rmtree(notes)
