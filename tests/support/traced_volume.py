"""A real file system on a traced loop disk, a freeze of it, and a process that scribbles."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.board import block_trace, traced_disk
from holdstill.board.block_trace import BlockTrace
from holdstill.board.extent_map import BtrfsMap, ExtentMap, FiemapMap
from holdstill.board.written_blocks import WrittenBlocks
from holdstill.system import ioctl
from holdstill.system.clocks import SystemClock
from support import loop, programs, scribbler

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.board.traced_disk import Place

MIB = 1 << 20
TABLE = "label: dos\nstart=2048, type=83\n"


@dataclass(frozen=True)
class Volume:
    """A mounted partition of a loop disk, and the trace of that disk."""

    kind: str
    at: Path
    place: Place
    trace: BlockTrace

    def map_of(self, handle: int) -> ExtentMap:
        if self.kind == "btrfs":
            return BtrfsMap(handle)
        return FiemapMap(handle, self.place.first_byte)

    def written(self) -> WrittenBlocks:
        """Return what was written; on btrfs nobody needs to know."""
        told = self.trace.written()
        assert isinstance(told, dict), told
        return WrittenBlocks(0) if self.kind == "btrfs" else told[self.place.disk]


@contextmanager
def formatted(
    folder: Path, kind: str, *mkfs: str, options: str = "noatime"
) -> Iterator[tuple[Path, Path]]:
    """Mount a fresh partition of a loop disk; yield its device and where it is mounted."""
    image = loop.partitioned_image(folder / "image", size=1024 * MIB, script=TABLE)
    with loop.attached(image) as disk:
        device = disk.partition(1)
        force = "-F" if kind == "ext4" else "-f"
        programs.run(f"mkfs.{kind}", "-q", force, *mkfs, device, timeout=300)
        with loop.mounted(device, folder / "at", kind=kind, options=options) as at:
            yield device, at


@contextmanager
def volume(folder: Path, kind: str) -> Iterator[Volume]:
    with formatted(folder, kind) as (device, at):
        place = traced_disk.place_of(device.stat().st_rdev)
        with block_trace.started([place.disk], SystemClock()) as trace:
            assert isinstance(trace, BlockTrace), trace
            yield Volume(kind, at, place, trace)


@contextmanager
def frozen(at: Path) -> Iterator[None]:
    """Hold a volume still, with a thaw in another process at hand."""
    with loop.thaw_guard(at, seconds=60):
        mount = os.open(at, os.O_RDONLY | os.O_DIRECTORY)
        try:
            ioctl.freeze(mount)
            try:
                yield
            finally:
                ioctl.thaw(mount)
        finally:
            os.close(mount)


@contextmanager
def scribbling(path: Path, seed: int, pause: float, kind: str) -> Iterator[Counter[str]]:
    """Have another process scribble; after the block it is told how often it did what."""
    words = [sys.executable, scribbler.__file__, os.fspath(path), str(seed), str(pause), kind]
    done: Counter[str] = Counter()
    with subprocess.Popen(words, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        try:
            yield done
        finally:
            process.terminate()
            said, _ = process.communicate(timeout=120)
            assert process.returncode == 0, process.returncode
            done.update(json.loads(said))
