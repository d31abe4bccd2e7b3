"""A session host that answers for the keeper's own command."""

from __future__ import annotations

import subprocess
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.keeper import session_front
from support import boards, front

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def running(at: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Hold a session host that listens at a path."""
    words = [*boards.PROGRAM, "keeper", "sessions", "--socket", str(at)]
    with subprocess.Popen(words) as host:
        try:
            while not at.exists():
                assert host.poll() is None
                time.sleep(0.05)
            yield host
        finally:
            host.terminate()


@contextmanager
def usual() -> Iterator[None]:
    """Hold a session host where sessions look for one, as a keeper that was set up has it.

    As root, on a machine that is no keeper.
    """
    at = Path(session_front.HOST)
    assert not at.exists(), "this machine has a session host of its own"
    with running(at):
        yield


def program(at: Path) -> tuple[str, ...]:
    """Return what sshd starts so that the host at a path answers, and nobody else."""
    return (boards.PROGRAM[0], front.__file__, str(at))
