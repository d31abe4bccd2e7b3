"""The ways to take an instant of a board, each measured: how long nothing could be written."""

from __future__ import annotations

import json
import os
import stat
import time
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.board import spool
from holdstill.records import manifest_file
from holdstill.system import files, ioctl
from support import boards, loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from bench.pause.stage import Load, Stage

RSYNC = ("rsync", "-aHAX", "-@-1", "--delete", "--one-file-system")
"""All that a careful person asks of rsync; -@-1 compares nanoseconds."""
DEGRADED = 8


@dataclass(frozen=True)
class Taken:
    """One instant, taken.

    Attributes:
        held: seconds for which nothing could be written.
        stall: the longest wait of the database's writer meanwhile, in seconds.
        rounds: hot rounds before.
        copied: bytes copied while held.
        seconds: the whole of it.
    """

    held: float
    stall: float
    rounds: int = 0
    copied: int = 0
    seconds: float = 0.0


def holdstill(on: Stage, load: Load) -> Taken:
    """Take a capture with the product, as a person would."""
    began = time.monotonic()
    said = boards.holdstill(
        "capture", "--settings", on.kept.settings, "--json", accepted=(0, DEGRADED), timeout=3600
    )
    seconds = time.monotonic() - began
    report = json.loads(said)
    captures = on.kept.store / "boards/pier-3/captures"
    sealed = manifest_file.decode((captures / report["name"] / "manifest.yaml").read_bytes())
    frozen = sealed.pause.frozen_ms / 1000
    at = sealed.moment.monotonic
    return Taken(
        frozen,
        load.stall(at, at + frozen),
        rounds=sealed.pause.rounds,
        copied=sealed.pause.spool_bytes,
        seconds=seconds,
    )


class ThawedError(Exception):
    """The board's own guard, which thaws every two minutes, came in between."""


@contextmanager
def _frozen(top: Path) -> Iterator[None]:
    with loop.thaw_guard(top, seconds=120):
        root = os.open(top, os.O_RDONLY | os.O_DIRECTORY)
        try:
            ioctl.sync_file_system(root)
            ioctl.freeze(root)
            yield
        finally:
            was_frozen = loop.thaw(top)
            os.close(root)
            if not was_frozen:
                raise ThawedError


def rsync_frozen(on: Stage, load: Load) -> Taken:
    """Copy live with rsync, then again while the file system is frozen."""
    began = time.monotonic()
    target = on.folder / "by-rsync"
    _rsync(on, target)
    with _frozen(on.root):
        held = time.monotonic()
        _rsync(on, target)
        ended = time.monotonic()
    time.sleep(0.5)  # until the writers have noted their wait
    return Taken(ended - held, load.stall(held, ended), seconds=time.monotonic() - began)


def copied_whole(on: Stage, load: Load, file: Path) -> Taken:
    """Copy a file whole to memory in a freeze: all that a pause could do without a trace."""
    began = time.monotonic()
    size = 2 * file.stat().st_size
    with spool.Spool(load.notes, size) as memory, _frozen(on.root):
        held = time.monotonic()
        with files.opened(file, os.O_RDONLY | os.O_NOATIME) as handle:
            memory.copy(handle, os.fstat(handle).st_size)
        ended = time.monotonic()
        copied = memory.used
    time.sleep(0.5)
    stall = load.stall(held, ended)
    return Taken(ended - held, stall, copied=copied, seconds=time.monotonic() - began)


def rsync_stopped(on: Stage, load: Load) -> Taken:
    """Stop the services and copy with rsync: the plain way."""
    began = time.monotonic()
    target = on.folder / "by-rsync"
    _rsync(on, target)
    with load.stopped():
        held = time.monotonic()
        _rsync(on, target)
        ended = time.monotonic()
    return Taken(ended - held, ended - held, seconds=time.monotonic() - began)


def _rsync(on: Stage, target: Path) -> None:
    # 24: files vanished under way, which is the lot of a live copy.
    done = programs.attempt(*RSYNC, f"{on.root}/", f"{target}/", timeout=3600)
    assert done.returncode in {0, 24}, done.stderr.decode(errors="replace")[-2000:]


class Restatting:
    """Looks at every file in the pause: as good as it gets without the inode tables.

    What was seen is kept in memory, so that nothing but the looking and the copying takes time.
    """

    def __init__(self, top: Path) -> None:
        """Prepare; the first `take` looks twice before it freezes."""
        self._top = top
        self._seen: dict[bytes, tuple[int, int]] = {}

    def _look(self) -> list[tuple[bytes, int]]:
        """Return path and size of the regular files that are not as they were, and note them."""
        changed = []
        before, self._seen = self._seen, {}
        for path, status in _everything(os.fsencode(self._top)):
            mark = status.st_ino, status.st_ctime_ns
            self._seen[path] = mark
            if before.get(path) != mark and stat.S_ISREG(status.st_mode):
                changed.append((path, status.st_size))
        return changed

    def take(self, load: Load) -> Taken:
        """Do two hot rounds, freeze, look at everything, and copy what changed."""
        began = time.monotonic()
        self._look()
        self._look()
        with spool.Spool(load.notes, 2 << 30) as memory, _frozen(self._top):
            held = time.monotonic()
            for path, size in self._look():
                with files.opened(path, os.O_RDONLY | os.O_NOATIME) as handle:
                    memory.copy(handle, size)
            ended = time.monotonic()
            copied = memory.used
        time.sleep(0.5)
        return Taken(ended - held, load.stall(held, ended), 2, copied, time.monotonic() - began)


def _everything(top: bytes) -> Iterator[tuple[bytes, os.stat_result]]:
    waiting = [top]
    while waiting:
        with os.scandir(waiting.pop()) as listing:
            for item in listing:
                yield item.path, item.stat(follow_symlinks=False)
                if item.is_dir(follow_symlinks=False):
                    waiting.append(item.path)
