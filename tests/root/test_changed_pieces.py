"""Files followed by trace and map while another process scribbles, against the frozen file."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from holdstill.board import block_trace, traced_disk
from holdstill.board.block_trace import BlockTrace
from holdstill.board.extent_map import BtrfsMap, ExtentMap, FiemapMap
from holdstill.board.written_blocks import WrittenBlocks
from holdstill.system import ioctl
from holdstill.system.clocks import SystemClock
from support import loop, programs, scribbler
from support.followed_file import PIECE, followed

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
def volume(folder: Path, kind: str, *mkfs: str, options: str = "noatime") -> Iterator[Volume]:
    image = loop.partitioned_image(folder / "image", size=400 * MIB, script=TABLE)
    with ExitStack() as undo:
        device = undo.enter_context(loop.attached(image)).partition(1)
        force = "-F" if kind == "ext4" else "-f"
        programs.run(f"mkfs.{kind}", "-q", force, *mkfs, device)
        at = undo.enter_context(loop.mounted(device, folder / "at", kind=kind, options=options))
        place = traced_disk.place_of(device.stat().st_rdev)
        started = block_trace.started([place.disk], SystemClock())
        trace = undo.enter_context(started)
        assert isinstance(trace, BlockTrace), trace
        yield Volume(kind, at, place, trace)


@contextmanager
def frozen(at: Path) -> Iterator[None]:
    """Hold a volume still, with a thaw in another process at hand."""
    with loop.thaw_guard(at, seconds=15):
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
def scribbling(path: Path, seed: int, pause: float, kind: str) -> Iterator[None]:
    words = [sys.executable, scribbler.__file__, os.fspath(path), str(seed), str(pause), kind]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        try:
            yield
        finally:
            process.terminate()
            assert process.wait(timeout=30) == 0


@dataclass
class Tally:
    """What some sequences came to."""

    pieces: int = 0
    clean: int = 0
    wrong: int = 0
    wrong_without_trace: int = 0


def sequence(volume: Volume, seed: int, tally: Tally) -> None:
    """Follow a file over some hot rounds, freeze, and compare each piece that is called clean."""
    dice = random.Random(seed)  # noqa: S311 - dice, no secret
    path = volume.at / f"file-{seed % 5}"
    path.write_bytes(dice.randbytes(dice.randrange(2 * MIB, 5 * MIB)))
    os.sync()
    time.sleep(block_trace.GRACE * 1.1)
    volume.written()
    with (
        scribbling(path, seed, dice.choice((0.002, 0.02, 0.1, 0.2)), volume.kind),
        followed(path, volume.map_of) as file,
    ):
        for _ in range(dice.randint(1, 3)):
            os.sync() if dice.random() < 0.3 else None
            file.hot_round(volume.written())
        with volume.trace.alone(), frozen(volume.at):
            look = file.look(volume.written())
            unaware = file.look(WrittenBlocks(volume_size(volume)))
            tally.pieces += -(-look.size // PIECE)
            tally.clean += -(-look.size // PIECE) - len(look.dirty)
            tally.wrong += len(file.wrongly_clean(look))
            tally.wrong_without_trace += len(file.wrongly_clean(unaware))


def volume_size(volume: Volume) -> int:
    return traced_disk.size_of(volume.place.disk)


def run(volume: Volume, seeds: range) -> Tally:
    tally = Tally()
    for seed in seeds:
        sequence(volume, seed, tally)
    return tally


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
def test_what_is_called_clean_is_as_it_was_copied(tmp_path: Path, kind: str) -> None:
    with volume(tmp_path, kind) as one:
        tally = run(one, range(20))

    assert tally.wrong == 0
    assert tally.clean > tally.pieces / 10
    # The control: without the trace the rule is wrong, where files are written in place.
    assert (tally.wrong_without_trace > 0) == (kind != "btrfs")


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.parametrize(
    ("kind", "mkfs", "options"),
    [
        ("ext4", "", "noatime"),
        ("ext4", "-b 1024", "noatime"),
        ("ext4", "-O bigalloc", "noatime"),
        ("ext4", "-O ^extents,^64bit", "noatime"),
        ("ext4", "", "noatime,data=journal"),
        ("ext4", "", "noatime,nodelalloc"),
        ("xfs", "", "noatime"),
        ("btrfs", "", "noatime"),
    ],
)
def test_many_sequences(tmp_path: Path, kind: str, mkfs: str, options: str) -> None:
    with volume(tmp_path, kind, *mkfs.split(), options=options) as one:
        tally = run(one, range(1000, 1150))

    assert tally.wrong == 0
