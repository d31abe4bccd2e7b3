"""Starting programs in tests, apart from the code under test: a witness stays independent."""

from __future__ import annotations

import os
import shutil
import subprocess
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import PurePath

# Debian keeps mkfs, losetup and sshd where an ordinary user's PATH does not look.
SEARCH = os.pathsep.join([os.environ.get("PATH", ""), "/usr/local/sbin", "/usr/sbin", "/sbin"])
PLAIN = {**os.environ, "PATH": SEARCH, "LC_ALL": "C.UTF-8"}


def path_of(program: str) -> str:
    """Return the absolute path of a program; fail with its name if it is not installed."""
    found = shutil.which(program, path=SEARCH)
    assert found is not None, f"{program} is not installed; tests/run installs what tests need"
    return found


def attempt(
    *words: str | PurePath, stdin: bytes = b"", timeout: float = 60
) -> subprocess.CompletedProcess[bytes]:
    """Run a program and return how it ended."""
    argv = [path_of(os.fspath(words[0])), *(os.fspath(word) for word in words[1:])]
    return subprocess.run(
        argv, input=stdin, capture_output=True, timeout=timeout, env=PLAIN, check=False
    )


def run(*words: str | PurePath, stdin: bytes = b"", timeout: float = 60) -> bytes:
    """Run a program that must succeed and return what it wrote; fail with its own words."""
    done = attempt(*words, stdin=stdin, timeout=timeout)
    said = (done.stdout[-4000:] + done.stderr[-4000:]).decode(errors="backslashreplace")
    assert done.returncode == 0, f"{words} ended with status {done.returncode}:\n{said}"
    return done.stdout
