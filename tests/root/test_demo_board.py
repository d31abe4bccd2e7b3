"""The demonstration's board: it works, and nothing of it stays behind."""

from __future__ import annotations

import fcntl
import json
import os
import signal
import subprocess
import time
import urllib.request
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from holdstill.demo import board, board_files, gauge_check, material
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

FIFREEZE = 0xC0045877  # _IOWR('X', 119, int), linux/fs.h
pytestmark = pytest.mark.timeout(120)


class DeliberateError(Exception):
    """What a test raises inside a block."""


def newest_reading(port: int) -> int:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}", timeout=5) as answer:
        return int(json.loads(answer.read())["seq"])


def test_the_board_is_a_disk_whose_gauge_keeps_its_promises(tmp_path: Path) -> None:
    with board.on_loop_device(tmp_path, machine=LocalRunner(), clock=SystemClock()) as pier:
        assert pier.device is not None
        partuuid = programs.run("blkid", "-o", "value", "-s", "PARTUUID", f"{pier.device}p2")
        first = newest_reading(pier.port)
        board_files.live_on(pier.root)
        pier.gauge.end()
        broken = gauge_check.check(pier.root)
        last = gauge_check.look(pier.root).trailing
        entries = sum(1 for _ in pier.root.rglob("*"))

    assert partuuid.decode().strip() == f"{material.DISK_ID}-02"
    assert broken == []
    assert 0 < first <= last
    assert entries > 3000


def test_what_careless_copies_lose_is_there(tmp_path: Path) -> None:
    with board.on_loop_device(tmp_path, machine=LocalRunner(), clock=SystemClock()) as pier:
        odd = pier.root / board_files.ODDITIES
        capability = programs.run("getcap", odd / "capable")
        access = programs.run("getfacl", "--absolute-names", "--numeric", odd / "shared")
        info = {path.name: path.lstat() for path in odd.iterdir()}

    assert capability.split()[1] == b"cap_net_bind_service=ep"
    assert b"user:70000:r--" in access
    assert info["first name"].st_ino == info["second name"].st_ino
    assert info["mostly a hole"].st_blocks * 512 < info["mostly a hole"].st_size
    assert info["device"].st_rdev == os.makedev(300, 70000)
    assert info["foreign"].st_uid == 70000
    assert info["setuid"].st_mode & 0o4000


def test_a_link_of_this_machine_that_leads_out_of_the_board_is_never_written_through(
    tmp_path: Path,
) -> None:
    outside = tmp_path / "outside"
    outside.write_bytes(b"of this machine")
    (tmp_path / "root/usr/sbin").mkdir(parents=True)
    (tmp_path / "root/usr/sbin/init").symlink_to(outside)

    board_files.furnish(tmp_path / "root", LocalRunner(), ())

    assert outside.read_bytes() == b"of this machine"
    assert not (tmp_path / "root/usr/sbin/init").is_symlink()


def test_nothing_stays_when_the_block_fails(tmp_path: Path) -> None:
    with (
        pytest.raises(DeliberateError),
        board.on_loop_device(tmp_path, machine=LocalRunner(), clock=SystemClock()) as pier,
    ):
        raise DeliberateError

    assert pier.gauge.has_ended
    assert not pier.root.is_mount()
    assert loop.loops_of(pier.image) == []


@contextmanager
def late_thaw(root: Path) -> Iterator[None]:
    """Thaw after a while whatever happens; unlike the usual guard it does not hold root open."""
    guard = subprocess.Popen(
        ["/bin/sh", "-c", 'sleep 25; fsfreeze --unfreeze "$0"', root], start_new_session=True
    )
    try:
        yield
    finally:
        os.killpg(guard.pid, signal.SIGKILL)
        guard.wait()


def test_a_board_that_was_left_frozen_is_thawed_and_taken_down(tmp_path: Path) -> None:
    root = tmp_path / "board"

    with late_thaw(root):
        before = time.monotonic()
        with board.on_loop_device(tmp_path, machine=LocalRunner(), clock=SystemClock()) as pier:
            mount = os.open(root, os.O_RDONLY)
            fcntl.ioctl(mount, FIFREEZE, 0)
            os.close(mount)
        took = time.monotonic() - before

    assert took < 20
    assert pier.gauge.has_ended
    assert not root.is_mount()
    assert loop.loops_of(pier.image) == []
