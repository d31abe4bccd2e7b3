"""Trace instances of runs of holdstill, as any other process can see them."""

from __future__ import annotations

import fcntl
import os

from holdstill.board import block_trace
from holdstill.system import tracefs


def left_over() -> set[str]:
    """Return the trace instances that no living run holds."""
    with tracefs.opened() as top:
        handle = os.open("instances", os.O_RDONLY | os.O_DIRECTORY, dir_fd=top)
        try:
            with os.scandir(handle) as found:
                names = {one.name for one in found if one.name.startswith(block_trace.PREFIX)}
            return {name for name in names if not is_held(name, handle)}
        finally:
            os.close(handle)


def is_held(name: str, instances: int) -> bool:
    handle = os.open(name, os.O_RDONLY | os.O_DIRECTORY, dir_fd=instances)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    else:
        return False
    finally:
        os.close(handle)
