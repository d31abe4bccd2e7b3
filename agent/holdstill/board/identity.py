"""Which board this is, and whether its clock can be believed."""

from __future__ import annotations

import os
from pathlib import Path

from holdstill.model.manifest import BoardIdentity

SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
"""Appears after the first synchronisation since boot (systemd-timesyncd(8))."""
_CHRONY = Path("/run/chrony")
EARLIEST_YEAR = 2024
"""A clock that shows an earlier year was never set."""
LATEST_YEAR = 2100


def read_identity(name: str, root: Path) -> BoardIdentity:
    """Describe the board whose root file system is mounted at root."""
    release = os.uname()
    here = root == Path("/")
    return BoardIdentity(
        name=name,
        machine_id=_line(root / "etc/machine-id"),
        hostname=_line(root / "etc/hostname"),
        model=_line(Path("/proc/device-tree/model")) if here else "",
        kernel=release.release if here else "",
        architecture=release.machine if here else "",
        system=_system(root),
    )


def boot_id() -> str:
    """Return the identity of this boot (random(4))."""
    return _line(Path("/proc/sys/kernel/random/boot_id"))


def is_clock_trusted(year: int) -> bool:
    """Whether something has set the clock since boot, as far as can be told.

    Without a time service that leaves a trace, a year in a sane window has to do.
    """
    if not EARLIEST_YEAR <= year <= LATEST_YEAR:
        return False
    if Path("/run/systemd/timesync").exists() and not _CHRONY.exists():
        return SYNCHRONISED.exists()
    return True


def _line(path: Path) -> str:
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    return text.strip("\0\n ").splitlines()[0] if text.strip("\0\n ") else ""


def _system(root: Path) -> str:
    for name in ("etc/os-release", "usr/lib/os-release"):
        try:
            lines = (root / name).read_text(encoding="utf-8", errors="replace").splitlines()
        except OSError:
            continue
        for line in lines:
            key, _, value = line.partition("=")
            if key == "PRETTY_NAME":
                return value.strip('"')
    return ""
