"""What this process has open."""

from __future__ import annotations

from pathlib import Path


def count() -> int:
    """Return how many descriptors are open, this look's own among them."""
    return len(list(Path("/proc/self/fd").iterdir()))
