"""What every bench does: start cold, and write down what was measured, and on what."""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import holdstill

if TYPE_CHECKING:
    from collections.abc import Sequence

    from _typeshed import DataclassInstance

RESULTS = Path(__file__).with_name("results")


def compile_program() -> None:
    """Have bytecode beside the modules, as pip and the package leave them (compileall, docs)."""
    package = Path(holdstill.__file__).parent
    subprocess.run([sys.executable, "-m", "compileall", "-q", package], check=True)


def drop_caches() -> None:
    """Write out everything, and forget what memory holds of files (proc_sys_vm(5))."""
    subprocess.run(["sync"], check=True)
    Path("/proc/sys/vm/drop_caches").write_text("3\n", encoding="ascii")


def machine() -> dict[str, str | int]:
    """Return what the head of a page says: command, machine, processors, release."""
    return {
        "command": " ".join(sys.argv),
        "machine": platform.machine(),
        "processors": len(os.sched_getaffinity(0)),
        "release": platform.release(),
    }


def write_down(name: str, runs: Sequence[DataclassInstance], page: str) -> None:
    """Write every run, and the page for people, and show that."""
    RESULTS.mkdir(exist_ok=True)
    data = json.dumps([asdict(run) for run in runs], indent=1)
    (RESULTS / f"{name}.json").write_text(data + "\n", encoding="utf-8")
    (RESULTS / f"{name}.md").write_text(page, encoding="utf-8")
    sys.stdout.write(page)
