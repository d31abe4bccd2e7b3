"""The builders of root tests, themselves tested: what they leave behind hurts every later test."""

from __future__ import annotations

import fcntl
import json
import os
import subprocess
import sys
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from support import loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

FIFREEZE = 0xC0045877  # _IOWR('X', 119, int), linux/fs.h
TWO_PARTITIONS = """\
label: dos
label-id: 0x5ca1ab1e
unit: sectors
start=2048, size=16384, type=c
start=18432, size=32768, type=83
"""
DIES_IN_ITS_BLOCK = """\
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from support import loop
with loop.thaw_guard(Path(sys.argv[2]), seconds=60):
    print("guarded", flush=True)
    sys.stdin.read()
"""


class DeliberateError(Exception):
    """What a test raises inside a block."""


def freeze(mount_point: Path) -> None:
    mount = os.open(mount_point, os.O_RDONLY)
    fcntl.ioctl(mount, FIFREEZE, 0)
    os.close(mount)


@contextmanager
def writer(file: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Start a process that writes one byte; at the end it must have ended by itself."""
    process = subprocess.Popen(["/bin/sh", "-c", 'printf x >"$0"', file])
    yield process
    assert process.wait(timeout=20) == 0


def test_the_partitions_of_an_image_become_devices(tmp_path: Path) -> None:
    image = loop.partitioned_image(tmp_path / "card.img", size=64 << 20, script=TWO_PARTITIONS)

    with loop.attached(image) as disk:
        sizes = [
            int(programs.run("blockdev", "--getsz", disk.partition(number))) for number in (1, 2)
        ]
        seen = json.loads(programs.run("sfdisk", "--json", disk.device))["partitiontable"]

    assert sizes == [16384, 32768]
    assert seen["id"] == "0x5ca1ab1e"


def test_a_partition_holds_a_file_system_that_mounts(tmp_path: Path) -> None:
    image = loop.partitioned_image(tmp_path / "card.img", size=64 << 20, script=TWO_PARTITIONS)

    with loop.attached(image) as disk:
        programs.run("mkfs.ext4", "-q", "-L", "jetty", disk.partition(2))
        with loop.mounted(disk.partition(2), tmp_path / "root") as root:
            (root / "reading").write_bytes(b"1.42 m")
        label = programs.run("e2label", disk.partition(2))
        programs.run("e2fsck", "-fn", disk.partition(2))

    assert label == b"jetty\n"


def test_an_image_without_a_table_is_attached_as_it_is(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "blank.img", size=4 << 20)

    with loop.attached(image) as disk:
        sectors = int(programs.run("blockdev", "--getsz", disk.device))

    assert sectors == 8192
    assert loop.partition_numbers(image) == []


def test_nothing_stays_mounted_or_attached_when_the_block_raises(tmp_path: Path) -> None:
    with pytest.raises(DeliberateError), loop.ext4_volume(tmp_path) as volume:
        raise DeliberateError

    assert not volume.is_mount()
    assert loop.loops_of(tmp_path / "volume.img") == []


def test_nothing_stays_attached_when_the_mount_fails(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "blank.img", size=4 << 20)

    with (
        pytest.raises(AssertionError, match="mount"),
        loop.attached(image) as disk,
        loop.mounted(disk.device, tmp_path / "nothing"),
    ):
        pytest.fail("an empty image was mounted")

    assert loop.loops_of(image) == []


def test_a_volume_that_is_left_frozen_is_thawed_and_unmounted(tmp_path: Path) -> None:
    with loop.ext4_volume(tmp_path) as volume:
        freeze(volume)

    assert not volume.is_mount()


def test_the_guard_thaws_when_its_time_is_up(tmp_path: Path) -> None:
    with loop.ext4_volume(tmp_path) as volume, loop.thaw_guard(volume, seconds=1) as guard:
        started = time.monotonic()
        freeze(volume)

        with writer(volume / "file"):
            pass
        waited = time.monotonic() - started

    assert 0.5 < waited < 10
    assert guard.thawed


def test_the_guard_leaves_holds_alone_that_end_in_time(tmp_path: Path) -> None:
    with loop.ext4_volume(tmp_path) as volume, loop.thaw_guard(volume, seconds=4) as guard:
        let_go = []
        for _ in range(6):
            freeze(volume)
            time.sleep(1)
            let_go.append(loop.thaw(volume))

    assert let_go == [True] * 6
    assert not guard.thawed


def test_the_guard_thaws_at_the_end_of_its_block(tmp_path: Path) -> None:
    with loop.ext4_volume(tmp_path) as volume:
        with loop.thaw_guard(volume) as guard:
            freeze(volume)
        was_frozen = loop.thaw(volume)

    assert guard.thawed
    assert not was_frozen


def test_the_guard_thaws_when_the_test_dies(tmp_path: Path) -> None:
    with loop.ext4_volume(tmp_path) as volume:
        doomed = subprocess.Popen(
            [sys.executable, "-c", DIES_IN_ITS_BLOCK, loop.THAW_AFTER.parents[1], volume],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        assert doomed.stdout is not None
        assert doomed.stdout.readline() == b"guarded\n"
        freeze(volume)

        started = time.monotonic()
        doomed.kill()
        with writer(volume / "file"):
            pass
        waited = time.monotonic() - started
        doomed.communicate()

    assert waited < 10


def test_a_guard_says_when_it_had_nothing_to_do(tmp_path: Path) -> None:
    with loop.ext4_volume(tmp_path) as volume, loop.thaw_guard(volume) as guard:
        pass

    assert not guard.thawed
