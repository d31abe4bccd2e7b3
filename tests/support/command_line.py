"""Command lines of the product, run in this process.

For tests of what many commands do: to start the program takes longer than most of them. What is
about processes (signals, users, streams) starts it, by `boards.holdstill`.
"""

from __future__ import annotations

import io
import subprocess
from contextlib import redirect_stderr, redirect_stdout
from typing import TYPE_CHECKING

from holdstill.cli import main

if TYPE_CHECKING:
    from collections.abc import Sequence


def attempt(*words: object) -> subprocess.CompletedProcess[bytes]:
    """Run a command line and return how it ended."""
    line = [str(word) for word in words]
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = main.run(line)
    return subprocess.CompletedProcess(
        line, code, out.getvalue().encode(), err.getvalue().encode()
    )


def holdstill(*words: object, accepted: Sequence[int] = (0,)) -> bytes:
    """Run a command line that must end with one of these codes; return what it printed."""
    done = attempt(*words)
    told = (done.stderr + done.stdout).decode()
    assert done.returncode in accepted, f"{words}: {done.returncode}\n{told}"
    return done.stdout
