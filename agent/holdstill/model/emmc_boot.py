"""Which of its areas an eMMC boots from: PARTITION_CONFIG, byte 179 of its EXT_CSD. Pure.

The byte: Linux include/linux/mmc/mmc.h, EXT_CSD_PART_CONFIG. Its bits (JEDEC JESD84-B51,
PARTITION_CONFIG) are from memory: 3 to 5 enable an area, 6 asks for an acknowledgement, and 0 to
2 say what is accessed at this moment, which is left out.
"""

from __future__ import annotations

_AT, _SIZE, _ACCESSED = 179, 512, 7
SECTORS = "its sectors"
_ENABLED = {1: "boot0", 2: "boot1", 7: SECTORS}


def of_ext_csd(text: str) -> int | None:
    """Return the byte out of the digits in which Linux shows the EXT_CSD; None for no such."""
    try:
        data = bytes.fromhex(text)
    except ValueError:
        return None
    return data[_AT] & ~_ACCESSED if len(data) == _SIZE else None


def booted(config: int | None) -> str:
    """Return the area that is booted from: boot0, boot1, `its sectors`; "" if nobody can tell."""
    return "" if config is None else _ENABLED.get(enabled(config), "")


def enabled(config: int) -> int:
    """Return the number of the area that is booted from, as mmc-utils takes it."""
    return config >> 3 & 7


def acknowledges(config: int) -> int:
    """Return 1 if a boot is acknowledged, else 0."""
    return config >> 6 & 1
