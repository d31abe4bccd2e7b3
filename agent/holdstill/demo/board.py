"""The demonstration's board: a card on a loop device, or a plain directory where none is had."""

from __future__ import annotations

import http.client
import json
import os
import shutil
import sys
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.demo import card, loopback, material, tide_gauge
from holdstill.errors import CommandError, LinkError, PreflightError
from holdstill.system import process
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.demo.material import Share
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Background, Runner

from holdstill.demo.board_files import GAUGE, furnish
from holdstill.demo.loop_board import attached, mounted, partition, thaw, wait

READING_EVERY = 0.01
"""Seconds between two readings: more than any real gauge, so that a torn copy would show."""


@dataclass(frozen=True)
class Board:
    """A board that runs.

    Attributes:
        root: where its root file system is.
        image: its card.
        device: its card's device; None for a plain directory, which cannot be held still.
        gauge: the tide gauge that runs on it.
        port: where the gauge serves its newest reading.
    """

    root: Path
    image: Path
    device: Path | None
    gauge: Background
    port: int

    @property
    def disk(self) -> str:
        """What `disks` in the board's settings names."""
        return "auto" if self.device else str(self.image)


def why_no_loop_device(machine: Runner) -> str:
    """Return why this process cannot have a card on a loop device, "" if it can."""
    if os.geteuid() != 0:
        return "not root"
    try:
        machine.run(Command.of("losetup", "--find"))
    except CommandError as error:
        return f"no loop devices: {error}"
    return ""


@contextmanager
def on_loop_device(
    work: Path,
    *,
    machine: Runner,
    clock: Clock,
    shares: tuple[Share, ...] = material.SHARES,
    size: int = card.SIZE,
) -> Iterator[Board]:
    """Make the board on a loop device and let it run for the length of the block.

    Args:
        work: a folder for its card and where it is mounted.
        machine: runs programs.
        clock: for waiting.
        shares: what is copied from this machine.
        size: bytes of its card.
    """
    image, root = work / "card.img", work / "board"
    card.make(image, machine, size=size)
    with ExitStack() as undo:
        device = undo.enter_context(attached(image, machine, clock))
        undo.enter_context(mounted(partition(device, 2), root, machine, clock))
        furnish(root, machine, shares)
        gauge, port = undo.enter_context(_running_gauge(root, work / "gauge.log", clock))
        # Before anything is ended that may wait for a write: what is frozen cannot even be killed.
        undo.callback(thaw, root)
        yield Board(root, image, device, gauge, port)


@contextmanager
def in_directory(
    work: Path, *, machine: Runner, clock: Clock, shares: tuple[Share, ...] = material.SHARES
) -> Iterator[Board]:
    """Make the board as a plain directory; the card beside it has everything but the files."""
    image, root = work / "card.img", work / "board"
    card.make(image, machine)
    root.mkdir(mode=0o755)
    furnish(root, machine, shares)
    with _running_gauge(root, work / "gauge.log", clock) as (gauge, port):
        yield Board(root, image, None, gauge, port)


@contextmanager
def _running_gauge(root: Path, log: Path, clock: Clock) -> Iterator[tuple[Background, int]]:
    """Run the gauge, the board's own copy of it, for the length of the block."""
    port = loopback.free_port()
    python = shutil.which("python3", path=process.PLAIN_ENVIRONMENT["PATH"]) or sys.executable
    words = (python, "-I", "-B", root / GAUGE, str(READING_EVERY), "--root", root)
    with process.background(Command.of(*words, "--port", str(port)), log=log) as gauge:
        wait(lambda: gauge.has_ended or bool(_counter(root)), "the gauge is silent", clock)
        if gauge.has_ended:
            raise PreflightError(f"the tide gauge does not run; see {log}")
        yield gauge, port


def _counter(root: Path) -> bytes:
    try:
        return (root / tide_gauge.TRAILING).read_bytes()
    except FileNotFoundError:
        return b""


def newest_reading(port: int) -> int:
    """Fetch a gauge's newest reading.

    Raises:
        LinkError: it does not answer.
    """
    asked = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        asked.request("GET", "/")
        return int(json.loads(asked.getresponse().read())["seq"])
    except (OSError, http.client.HTTPException) as error:
        raise LinkError(f"the tide gauge does not answer: {error}") from error
    finally:
        asked.close()
