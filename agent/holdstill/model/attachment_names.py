"""What a manifest calls what it names beside the files. Pure."""

from __future__ import annotations

INDEX = "index.sqlite"


def gap_name(place: int) -> str:
    """Return the name of the boot gap of a board's disk 1, 2, ..."""
    return "gap.bin" if place == 1 else f"gap-{place}.bin"


def raw_name(number: int) -> str:
    """Return the name of the bytes of a raw partition."""
    return f"raw-{number}.bin"
