"""The process that does a job of the keeper's page, at the lowest priority, or measures an image.

The page starts it with `python -m`, as `start` and `measure` say; it is no command for people.
"""

from __future__ import annotations

import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from holdstill.keeper import store as stores
from holdstill.page.image_offer import ImageOffer
from holdstill.page.job_folder import LOG, WORK, JobFolder
from holdstill.system import io_priority, process, termination
from holdstill.system.clocks import SystemClock
from holdstill.system.io_priority import IoPriority
from holdstill.system.process import Command, LocalRunner
from holdstill.system.termination import TerminationRequested
from holdstill.workflow import measure_image, page_job

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.system.process import Background

_JOB, _MEASURE = "job", "measure"
_MODULE = "holdstill.cli.page_job"
_BEHIND = ("setpriv", "--pdeathsig", "TERM", "nice", "-n", "19")
"""How a process ends with the thread that started it, and steps back for all others."""
_MEASURE_TIMEOUT = 900.0
"""Seconds: counting the files of a capture takes a minute for a million."""


@contextmanager
def start(root: Path, folder: Path) -> Iterator[Background]:
    """Start the process for a job of a store at root; it is ended with the block."""
    work = folder / WORK
    work.mkdir(mode=0o700, exist_ok=True)
    words = (*_BEHIND, sys.executable, "-B", "-m", _MODULE, _JOB, root, folder)
    # Not with TMPDIR in there: the emulator's socket needs a short path (unix(7), 108 bytes).
    with process.background(Command.of(*words), log=folder / LOG) as running:
        yield running


def measure(root: Path, reference: str, disk: str) -> ImageOffer:
    """Return what could be made of a capture; found out by a process.

    Raises:
        CommandError: it failed.
    """
    words = (*_BEHIND, sys.executable, "-B", "-m", _MODULE, _MEASURE, root, reference, disk)
    said = LocalRunner().run(Command.of(*words, timeout=_MEASURE_TIMEOUT))
    return msgspec.json.decode(said, type=ImageOffer)


def main(what: str, root: str, place: str, disk: str = "") -> None:
    """Do a job, or measure a capture."""
    store, machine = stores.open_store(Path(root)), LocalRunner()
    with io_priority.at(IoPriority.LOW):
        if what == _JOB:
            page_job.do(store, JobFolder(Path(place)), machine, SystemClock())
            return
        found = measure_image.measured(store, place, page_job.disk_of(disk), machine)
        sys.stdout.buffer.write(msgspec.json.encode(found))


if __name__ == "__main__":
    try:
        with termination.stoppable():
            main(*sys.argv[1:])
    except TerminationRequested:
        sys.exit(143)
