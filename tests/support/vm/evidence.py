"""Judge what the gauge's files were found to hold when a rebuilt board came up."""

from __future__ import annotations

import msgspec

from holdstill.demo import gauge_check
from holdstill.demo.gauge_check import Found


def decode(report: bytes) -> Found:
    """Read what the board noted."""
    return msgspec.json.decode(report, type=Found)


def broken_promises(found: Found) -> list[str]:
    """Return every promise of the gauge that the files break; nothing for one sound instant."""
    return gauge_check.broken_promises(found)
