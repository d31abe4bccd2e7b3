"""The file in which the content of encrypted containers is made, before it is encrypted.

It is gone when the rebuild ends, however that ends: a process of its own waits for that. After a
power cut, the next one that makes such a file takes it away.
"""

from __future__ import annotations

import os
import shutil
import signal
import tempfile
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path

from holdstill.system import process, work_folder

_USUAL = "/var/tmp"  # noqa: S108  nobody else can read it there
_PREFIX = "holdstill-inside-"


@dataclass(frozen=True)
class UnencryptedFile:
    """A sparse file as large as the target, in a folder that only its owner can enter."""

    path: Path
    _undo: ExitStack

    def remove(self) -> None:
        """Take it away; once is enough."""
        self._undo.close()


def made(size: int) -> UnencryptedFile:
    """Make one of size bytes: in TMPDIR if that is set, else in /var/tmp.

    Raises:
        OSError: there is no room for it.
    """
    place = Path(tempfile.gettempdir() if "TMPDIR" in os.environ else _USUAL)
    with ExitStack() as undo:
        folder = undo.enter_context(work_folder.made(place, prefix=_PREFIX))
        undo.callback(_end, *_remover(folder))
        file = folder / "inside"
        file.touch(0o600)
        os.truncate(file, size)
        return UnencryptedFile(file, undo.pop_all())


def _remover(folder: Path) -> tuple[int, int]:
    """Start what removes the folder when this process is gone; return its pid, and our end."""
    theirs, ours = os.pipe()

    def wait() -> None:
        os.setsid()  # what ends this process by its terminal ends only this process
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)
        process.keep_only({theirs})
        if os.read(theirs, 1) == b"":
            shutil.rmtree(folder, ignore_errors=True)

    pid = process.fork_child(wait)
    os.close(theirs)
    return pid, ours


def _end(pid: int, ours: int) -> None:
    with suppress(BrokenPipeError):  # somebody has killed it
        os.write(ours, b".")
    os.close(ours)
    os.waitpid(pid, 0)
