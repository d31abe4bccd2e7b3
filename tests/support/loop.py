"""Real block devices for root tests: images on loop devices, mounted, and taken away again.

Everything is a `with`: whatever happens in the block, nothing stays frozen, mounted or attached.
"""

from __future__ import annotations

import fcntl
import json
import os
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from support import programs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

MIB = 1 << 20
FITHAW = 0xC0045878
"""_IOWR('X', 120, int), linux/fs.h."""
THAW_AFTER = Path(__file__).with_name("thaw_after.py")


@dataclass(frozen=True)
class LoopDisk:
    """An image attached to a loop device."""

    device: Path
    image: Path

    def partition(self, number: int) -> Path:
        """Return the device of one partition."""
        return self.device.with_name(f"{self.device.name}p{number}")


def blank_image(path: Path, *, size: int) -> Path:
    """Make a sparse file of size bytes that reads as zeros."""
    with path.open("wb") as image:
        image.truncate(size)
    return path


def partitioned_image(path: Path, *, size: int, script: str) -> Path:
    """Make a sparse image with the partition table that an sfdisk script describes."""
    blank_image(path, size=size)
    programs.run(
        "sfdisk", "--quiet", "--no-reread", "--no-tell-kernel", path, stdin=script.encode()
    )
    return path


@contextmanager
def attached(image: Path, *, sector_size: int = 512) -> Iterator[LoopDisk]:
    """Attach an image; its partitions, if it has any, are there when the block begins.

    The partitions of an image with other sectors are the caller's to make, on the device.
    """
    try:
        sectors = ("--sector-size", str(sector_size))
        said = programs.run("losetup", "--find", "--show", "--partscan", *sectors, image)
        disk = LoopDisk(Path(said.decode().strip()), image)
        _show_partitions(disk)
        yield disk
    finally:
        _detach(image)


def _show_partitions(disk: LoopDisk) -> None:
    numbers = partition_numbers(disk.image)
    if not numbers:
        return
    # A kernel without partition parsers of its own, such as a small virtual machine's, must be
    # told. For any other this changes nothing.
    programs.run("partx", "--update", disk.device)
    for number in numbers:
        _wait_for(f"{disk.partition(number)} to appear", disk.partition(number).is_block_device)


def partition_numbers(image: Path) -> list[int]:
    """Return the numbers in an image's partition table; empty if it has none."""
    answer = programs.attempt("sfdisk", "--json", image)
    if answer.returncode != 0:
        return []
    nodes = [row["node"] for row in json.loads(answer.stdout)["partitiontable"]["partitions"]]
    return [int(node.removeprefix(os.fspath(image)).removeprefix("p")) for node in nodes]


def _detach(image: Path) -> None:
    for device in loops_of(image):
        programs.run("losetup", "--detach", device)
    # A device that is still in use goes away later or never, and losetup says nothing.
    _wait_for(f"{image} to be detached", lambda: not loops_of(image), seconds=120)


def loops_of(image: Path) -> list[str]:
    """Return the loop devices that an image is attached to."""
    said = programs.run("losetup", "--noheadings", "--output", "NAME", "--associated", image)
    return said.decode().split()


@contextmanager
def mounted(
    source: Path, at: Path, *, options: str = "defaults", kind: str = "auto"
) -> Iterator[Path]:
    """Mount source at a folder, which is made if need be; kind is the file system's type."""
    at.mkdir(parents=True, exist_ok=True)
    try:
        programs.run("mount", "--types", kind, "--options", options, source, at)
        yield at
    finally:
        # Path.is_mount() does not see a folder that is bound inside its own file system.
        while programs.attempt("mountpoint", "-q", at).returncode == 0:
            thaw(at)
            _unmount(at)


def _unmount(at: Path) -> None:
    deadline = time.monotonic() + 5
    while (done := programs.attempt("umount", at)).returncode != 0:
        if time.monotonic() > deadline:
            programs.run("umount", "--lazy", at)
            raise AssertionError(f"{at} was still in use: {done.stderr.decode()}")
        time.sleep(0.05)


def thaw(mount_point: Path) -> bool:
    """Thaw a file system; tell whether it was frozen."""
    mount = os.open(mount_point, os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.ioctl(mount, FITHAW, 0)
    except OSError:
        return False
    else:
        return True
    finally:
        os.close(mount)


@contextmanager
def thaw_guard(mount_point: Path, *, seconds: float = 15) -> Iterator[ThawGuard]:
    """Hold a file system's thaw ready in another process before a test freezes it.

    It thaws what stays frozen for `seconds`, or was when the block ended or the test died. Every
    test that freezes does so inside this block: what writes to a frozen file system cannot
    even be killed.
    """
    guard = ThawGuard(
        subprocess.Popen(
            [sys.executable, "-I", "-S", os.fspath(THAW_AFTER), mount_point, str(seconds)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
            cwd="/",
        )
    )
    try:
        guard.await_ready()
        yield guard
    finally:
        guard.end()


class ThawGuard:
    """The process that thaws."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self._process = process
        self._said = b""

    def await_ready(self) -> None:
        """Return when the guard holds the file system open."""
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line == b"ready\n", f"the thaw guard did not start: {line!r}"

    def end(self) -> None:
        """Thaw now if still frozen, and end the process; may be called twice."""
        if self._process.stdin is not None and not self._process.stdin.closed:
            self._said = self._process.communicate(b"now\n", timeout=10)[0]

    @property
    def thawed(self) -> bool:
        """After the end: whether the file system was frozen when the guard acted, once or more."""
        return b"thawed" in self._said


@contextmanager
def ext4_volume(
    folder: Path, *, size: int = 64 * MIB, mkfs: Sequence[str] = (), options: str = "defaults"
) -> Iterator[Path]:
    """Mount a fresh ext4 on a loop device below folder, under a patient thaw guard.

    A test that freezes puts a quicker one around the freeze.
    """
    image = blank_image(folder / "volume.img", size=size)
    programs.run("mkfs.ext4", "-q", "-F", *mkfs, image)
    with (
        attached(image) as disk,
        mounted(disk.device, folder / "volume", options=options) as at,
        thaw_guard(at, seconds=120),
    ):
        yield at


def _wait_for(what: str, happened: Callable[[], bool], *, seconds: float = 5) -> None:
    deadline = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < deadline, f"waited {seconds} s for {what}"
        time.sleep(0.02)
