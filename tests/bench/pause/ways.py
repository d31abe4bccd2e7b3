"""The ways to take an instant of a board, each measured: how long nothing could be written."""

from __future__ import annotations

import json
import os
import time
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.board import delta as deltas
from holdstill.board import scan, spool, stamps
from holdstill.board.rules import Rules
from holdstill.board.scan import Scanner
from holdstill.board.sweep import Subject
from holdstill.board.watch import Restat
from holdstill.records import index as index_file
from holdstill.records import manifest
from holdstill.system import clock, ioctl
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
    sealed = manifest.decode((captures / report["name"] / "manifest.yaml").read_bytes())
    frozen = sealed.pause.frozen_ms / 1000
    at = sealed.moment.monotonic
    return Taken(
        frozen,
        load.stall(at, at + frozen),
        rounds=sealed.pause.rounds,
        copied=sealed.pause.spool_bytes,
        seconds=seconds,
    )


@contextmanager
def _frozen(top: Path) -> Iterator[None]:
    with loop.thaw_guard(top, seconds=120):
        root = os.open(top, os.O_RDONLY | os.O_DIRECTORY)
        try:
            ioctl.sync_file_system(root)
            ioctl.freeze(root)
            yield
        finally:
            loop.thaw(top)
            os.close(root)


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
    """Looks at every file in the pause: the same code of ours, but without the inode tables."""

    def __init__(self, on: Stage, undo: ExitStack) -> None:
        """Look, and take all contents as read."""
        self._root = undo.enter_context(scan.opened_root(os.fsencode(on.root)))
        path = on.folder / "restat-index"
        index = undo.enter_context(index_file.created(path))
        clocks = stamps.Stamps(clock.SystemClock(), clock.coarse_now_ns)
        self._detector = Restat(self._root, clocks)
        self._subject = Subject(index, 2, Scanner(self._root, Rules()))
        self._top = on.root

    def round(self) -> None:
        """Follow, and take every content as read."""
        index = self._subject.index
        deltas.follow(self._subject, self._detector.changes(), seq=1)
        self._detector.confirm()
        while rows := index.pending(2, after=(b"", b""), limit=1000):
            for row in rows:
                index.set_digest(2, row, bytes(32), seq=1)
        index.commit()

    def take(self, load: Load) -> Taken:
        """Do two hot rounds, freeze, look at everything, and copy what changed."""
        began = time.monotonic()
        self.round()
        self.round()
        with spool.Spool(load.notes, 2 << 30) as memory, _frozen(self._top):
            held = time.monotonic()
            delta = deltas.resolve(self._subject, self._detector.changes_while_still())
            deltas.copy_pending(self._subject, delta, lambda h, e: _keep(memory, h, e.size))
            ended = time.monotonic()
            copied = memory.used
        time.sleep(0.5)
        return Taken(ended - held, load.stall(held, ended), 2, copied, time.monotonic() - began)


def _keep(memory: spool.Spool, handle: int, size: int) -> None:
    memory.copy(handle, size)
