"""What a manifest calls what it names beside the files. Pure."""

from __future__ import annotations

INDEX = "index.sqlite"
EMMC_AREAS = ("boot0", "boot1", "gp0", "gp1", "gp2", "gp3")
"""An eMMC's own areas beside its sectors, as Linux calls them behind the disk's name (drivers/
mmc/core/mmc.c; Documentation/driver-api/mmc/mmc-dev-parts.rst): boot0 and boot1, which boards boot
from, and four for general purposes. The one for replay protected memory (rpmb) is
readable to nobody without its key."""

BOOTED_AREAS = frozenset({"boot0", "boot1"})


def gap_name(place: int) -> str:
    """Return the name of the boot gap of a board's disk 1, 2, ..."""
    return "gap.bin" if place == 1 else f"gap-{place}.bin"


def raw_name(number: int) -> str:
    """Return the name of the bytes of a raw partition."""
    return f"raw-{number}.bin"


def area_name(area: str, place: int) -> str:
    """Return the name of the bytes of one of the areas of a board's disk 1, 2, ..."""
    return f"{area}.bin" if place == 1 else f"{area}-{place}.bin"


def words(name: str) -> str:
    """Return what people call the bytes of an attachment."""
    kind, _, number = name.removesuffix(".bin").partition("-")
    match kind:
        case "gap":
            return f"the boot gap of disk {number}" if number else "the boot gap"
        case "raw":
            return f"the bytes of partition {number}"
        case _:
            return f"{kind} of disk {number}" if number else kind


def area_of(name: str) -> str:
    """Return the area that an attachment of this name is of; "" for none."""
    area = name.removesuffix(".bin").partition("-")[0]
    return area if area in EMMC_AREAS else ""
