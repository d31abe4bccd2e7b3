"""What a command took: time, processor and memory."""

from __future__ import annotations

import os
import re
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

_PEAK = re.compile(r"VmHWM:\s*(\d+) kB")
_LOOK = 0.02
"""Seconds from one look at its memory to the next."""


@dataclass(frozen=True)
class Usage:
    """Of one process.

    Attributes:
        seconds: by the clock.
        cpu: seconds of processors.
        peak: most bytes that it had resident (VmHWM of proc_pid_status(5)).
    """

    seconds: float
    cpu: float
    peak: int


def used(words: Sequence[object], *, output: Path | None = None) -> Usage:
    """Run a command that must succeed; return what it took.

    output: file for what it says.

    Its memory is looked at while it runs: ru_maxrss is never less than what this process had.
    """
    texts = [os.fsencode(str(word)) for word in words]
    begin, peak = time.monotonic(), 0
    to_file = (
        [(os.POSIX_SPAWN_OPEN, 1, output, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)]
        if output
        else []
    )
    process = os.posix_spawn(texts[0], texts, os.environ, file_actions=to_file)
    while (ended := os.wait4(process, os.WNOHANG))[0] == 0:
        with suppress(OSError):
            found = _PEAK.search(Path(f"/proc/{process}/status").read_text(encoding="ascii"))
            peak = max(peak, int(found[1]) << 10) if found and _is_other(process) else peak
        time.sleep(_LOOK)
    _, status, told = ended
    assert os.waitstatus_to_exitcode(status) == 0, words
    return Usage(time.monotonic() - begin, told.ru_utime + told.ru_stime, peak)


def _is_other(process: int) -> bool:
    """Whether a process has become another program than this one by now."""
    line = Path(f"/proc/{process}/cmdline").read_bytes()
    return line != Path("/proc/self/cmdline").read_bytes()
