"""Judge what the gauge's files were found to hold when a rebuilt board came up."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import msgspec

from holdstill.demo import gauge_check
from holdstill.demo.gauge_check import Found

if TYPE_CHECKING:
    from support.vm import machine

ASK_THE_GAUGE = """\
import time, urllib.error, urllib.request
deadline = time.monotonic() + 60
while True:
    try:
        print(urllib.request.urlopen("http://127.0.0.1:4750").read().decode())
        break
    except urllib.error.URLError:  # its unit is up before it listens
        if time.monotonic() > deadline:
            raise
        time.sleep(0.2)
"""


def decode(report: bytes) -> Found:
    """Read what the board noted."""
    return msgspec.json.decode(report, type=Found)


def broken_promises(found: Found) -> list[str]:
    """Return every promise of the gauge that the files break; nothing for one sound instant."""
    return gauge_check.broken_promises(found)


def newest_reading(pier: machine.Machine) -> int:
    """Ask the gauge, as those that it serves do, for the number of its newest reading."""
    return int(json.loads(pier.run("python3", "-c", ASK_THE_GAUGE))["seq"])
