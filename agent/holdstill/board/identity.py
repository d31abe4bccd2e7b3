"""Which board this is, and whether its clock can be trusted."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from holdstill.model.manifest import BoardIdentity
from holdstill.system import clocks

SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
"""Appears after the first synchronisation since boot (systemd-timesyncd(8))."""
_TIMESYNC = SYNCHRONISED.parent
_CHRONY = Path("/run/chrony")
_RTC = Path("/sys/class/rtc")
"""Hardware clocks; a kernel without any support for them has no such place."""
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


@dataclass(frozen=True)
class ClockSigns:
    """What speaks for a board's clock, and what against it.

    Attributes:
        is_kept_right: the kernel's clock status: a time service synchronises it.
        was_set: systemd-timesyncd has set it since boot.
        awaits: systemd-timesyncd runs, and nothing else that might set it.
        lost_power: there is no hardware clock: at boot it showed some earlier time.
    """

    is_kept_right: bool
    was_set: bool
    awaits: bool
    lost_power: bool


def clock_signs() -> ClockSigns:
    """Read the signs."""
    return ClockSigns(
        is_kept_right=clocks.is_kept_right(),
        was_set=SYNCHRONISED.exists(),
        awaits=_TIMESYNC.exists() and not _CHRONY.exists(),
        lost_power=_RTC.is_dir() and not any(_RTC.iterdir()),
    )


def is_clock_trusted(year: int, signs: ClockSigns | None = None) -> bool:
    """Whether something has set the clock since boot, as far as is known.

    With a hardware clock, and without a time service that leaves a trace, a year in a sane window
    has to do.
    """
    if not EARLIEST_YEAR <= year <= LATEST_YEAR:
        return False
    signs = signs or clock_signs()
    if signs.is_kept_right or signs.was_set:
        return True
    return not signs.awaits and not signs.lost_power


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
