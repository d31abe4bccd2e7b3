"""How soon the disk serves this thread, beside others (ioprio_set(2)).

Schedulers of the kernel that know priorities heed it (bfq, mq-deadline); others serve all alike.
"""

from __future__ import annotations

from contextlib import contextmanager, suppress
from enum import IntEnum
from typing import TYPE_CHECKING

from holdstill.system import libc

if TYPE_CHECKING:
    from collections.abc import Iterator


class IoPriority(IntEnum):
    """Best-effort levels: class 2 of ioprio_set(2). The idle class might never be served."""

    NORMAL = 2 << 13 | 4
    LOW = 2 << 13 | 7


@contextmanager
def at(priority: IoPriority) -> Iterator[None]:
    """Be served at a priority in this block, and what is started in it; as before after it.

    Where the kernel refuses, all stays as it is.
    """
    before = None
    with suppress(OSError):
        before = libc.io_priority()
        libc.set_io_priority(priority)
    try:
        yield
    finally:
        if before is not None:
            with suppress(OSError):
                libc.set_io_priority(before)
