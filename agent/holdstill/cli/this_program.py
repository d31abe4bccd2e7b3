"""How this very program is started by others: sshd, systemd, another user."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path


def words() -> tuple[str, ...]:
    """Return the command that starts this very program."""
    script = Path(sys.argv[0]).absolute()
    if os.access(script, os.X_OK) and script.is_file():
        return (str(script),)
    return (sys.executable, "-B", "-m", "holdstill")  # that is how it was started


def path() -> str:
    """Return the absolute path of the installed program; where there is none, the usual one."""
    script = Path(sys.argv[0]).absolute()
    if script.name == "holdstill" and os.access(script, os.X_OK) and script.is_file():
        return str(script)
    return shutil.which("holdstill") or "/usr/local/bin/holdstill"


UNIT_FOLDERS = (
    Path(sys.prefix) / "share/holdstill/systemd",
    Path(__file__).parents[3] / "systemd",  # a checkout of the repository
)


def units() -> Path:
    """Return the folder of the units that were installed with this program."""
    return next((place for place in UNIT_FOLDERS if place.is_dir()), UNIT_FOLDERS[0])
