"""Files followed by trace and map while another process scribbles, against the frozen file."""

from __future__ import annotations

import os
import random
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from holdstill.board import block_trace, traced_disk
from holdstill.board.written_blocks import WrittenBlocks
from support.followed_file import PIECE, followed
from support.traced_volume import MIB, Volume, frozen, scribbling, volume

if TYPE_CHECKING:
    from pathlib import Path


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
