"""Run a function in a child of this process, with few rights and for a limited time.

Python, pytest and the libraries are loaded once, here, and each child begins with them: most of
the time that a small test run takes is for them. The package under test is not loaded here.
"""

from __future__ import annotations

import importlib
import os
import resource
import select
import signal
import sys
import tempfile
import traceback
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

NOBODY = 65534
_MEMORY = 4 << 30
_LIBRARIES = (
    "apprise",
    "click",
    "hypothesis.strategies",
    "msgspec",
    "paramiko",
    "pytest",
    "rich.console",
    "rich.table",
    "schedule",
    "yaml",
)
_BROKEN = 70
"""Status of a child whose function did not return."""


@dataclass(frozen=True)
class Ended:
    """How a child ended.

    Attributes:
        status: its exit status, minus the signal that killed it, or None if its time was up.
        said: what it wrote.
    """

    status: int | None
    said: str


@dataclass(frozen=True)
class Surroundings:
    """Where a child runs.

    Attributes:
        folder: its working directory, which it cannot write to.
        scratch: the only folder that it can write to, apart from what is open to everybody.
        packages: folders in which modules are looked for first.
        compiled: where compiled modules are kept.
    """

    folder: Path
    scratch: Path
    packages: tuple[Path, ...]
    compiled: Path

    def enter(self) -> None:
        """Let this process run here, and what it starts."""
        packages = [str(path) for path in self.packages]
        os.environ |= {
            "HOME": str(self.scratch),
            "HYPOTHESIS_STORAGE_DIRECTORY": str(self.scratch / "hypothesis"),
            "PYTHONDONTWRITEBYTECODE": "1",
            "PYTHONPATH": os.pathsep.join(packages),
            "PYTHONPYCACHEPREFIX": str(self.compiled),
            "TMPDIR": str(self.scratch),
        }
        tempfile.tempdir = str(self.scratch)
        sys.path[:0] = packages
        sys.pycache_prefix = str(self.compiled)
        os.chdir(self.folder)


def check_rights() -> None:
    """Refuse to go on as anybody who could not give up rights: SystemExit says what to do."""
    if os.geteuid() != 0:
        sys.exit("faults run as nobody, so that none can harm your files: start this as root")


def load_libraries() -> None:
    """Load what the children have in common."""
    for name in _LIBRARIES:
        importlib.import_module(name)
    assert not any(name.split(".")[0] == "holdstill" for name in sys.modules)


def run(function: Callable[[], int], surroundings: Surroundings, *, seconds: float) -> Ended:
    """Run a function as nobody; the child's processes end with it."""
    said = surroundings.scratch.with_suffix(".said")
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        _be_the_child(function, surroundings, said)
    handle = os.pidfd_open(pid)
    try:
        in_time = bool(select.select([handle], [], [], seconds)[0])
        with suppress(ProcessLookupError):
            os.killpg(pid, signal.SIGKILL)
        with suppress(ProcessLookupError):  # it may not have come to be a group yet
            os.kill(pid, signal.SIGKILL)
    finally:
        os.close(handle)
        _, status = os.waitpid(pid, 0)
    text = said.read_bytes().decode(errors="replace") if said.is_file() else ""
    return Ended(os.waitstatus_to_exitcode(status) if in_time else None, text)


def _be_the_child(function: Callable[[], int], surroundings: Surroundings, said: Path) -> None:
    status = _BROKEN
    try:
        os.setsid()
        output = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        nothing = os.open(os.devnull, os.O_RDONLY)
        for number, handle in enumerate((nothing, output, output)):
            os.dup2(handle, number)
        sys.stdout = sys.stderr = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
        surroundings.enter()
        resource.setrlimit(resource.RLIMIT_DATA, (_MEMORY, _MEMORY))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        os.setgroups([])
        os.setresgid(NOBODY, NOBODY, NOBODY)
        os.setresuid(NOBODY, NOBODY, NOBODY)
        status = function()
    except BaseException:  # noqa: BLE001  a child never goes on as its parent
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)
