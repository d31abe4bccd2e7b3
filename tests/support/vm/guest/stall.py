"""Write a small file over and over until stdin ends; print how long the writes took.

The longest write beside a pause is the pause as a service of the board feels it.
"""

from __future__ import annotations

import json
import os
import select
import statistics
import sys
import time


def write_until_told(file: int) -> list[float]:
    seconds: list[float] = []
    while not select.select([sys.stdin], [], [], 0.005)[0]:
        before = time.monotonic()
        os.pwrite(file, b"%020d" % len(seconds), 0)
        seconds.append(time.monotonic() - before)
    return seconds


def main(path: str) -> None:
    seconds = write_until_told(os.open(path, os.O_WRONLY | os.O_CREAT, 0o600))
    facts = {
        "writes": len(seconds),
        "median_s": statistics.median(seconds),
        "longest_s": sorted(seconds, reverse=True)[:5],
    }
    json.dump(facts, sys.stdout)


if __name__ == "__main__":
    main(sys.argv[1])
