"""What this machine's processor can do."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

CPUINFO = Path("/proc/cpuinfo")
_ABILITIES = re.compile(r"^(?:flags|Features)\s*:(.*)$", re.MULTILINE)
"""arch/x86/kernel/cpu/proc.c and arch/arm64/kernel/cpuinfo.c, in the kernel's sources."""


@cache
def has_aes() -> bool:
    """Return whether it computes AES in hardware."""
    try:
        return reads_as_aes(CPUINFO.read_text(encoding="ascii", errors="replace"))
    except OSError:
        return False


def reads_as_aes(cpuinfo: str) -> bool:
    """Return whether a text of /proc/cpuinfo tells of AES in hardware; pure."""
    found = _ABILITIES.search(cpuinfo)
    return found is not None and "aes" in found[1].split()
