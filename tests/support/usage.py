"""What a command took: time, processor and memory."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True)
class Usage:
    """Of one process, and those that it waited for (getrusage(2)).

    Attributes:
        seconds: by the clock.
        cpu: seconds of processors.
        peak: most bytes that one of them had resident.
    """

    seconds: float
    cpu: float
    peak: int


def used(words: Sequence[object]) -> Usage:
    """Run a command that must succeed; return what it took."""
    texts = [os.fsencode(str(word)) for word in words]
    begin = time.monotonic()
    process = os.posix_spawn(texts[0], texts, os.environ)
    _, status, told = os.wait4(process, 0)
    seconds = time.monotonic() - begin
    assert os.waitstatus_to_exitcode(status) == 0, words
    # On Linux ru_maxrss counts in KiB.
    return Usage(seconds, told.ru_utime + told.ru_stime, told.ru_maxrss << 10)
