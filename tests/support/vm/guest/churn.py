"""Write to a file that tells of itself whether a copy of it is of one instant.

    churn.py write PATH    until somebody ends it
    churn.py check PATH    prints, as JSON, how many writes the file has, and which of its blocks
                           are not as so many writes, one after the other, leave them

Every write fills one block with its own number. It is of more than 16 MiB: a large file.
"""

from __future__ import annotations

import itertools
import json
import os
import struct
import sys
import time
from pathlib import Path

BLOCK, BLOCKS = 4096, 6144
_STEP = 2711
"""Has no factor in common with BLOCKS: each block's turn comes before any comes again."""
_FLUSHED_EVERY = 16


def filled(number: int) -> bytes:
    """Return a block as the write of this number leaves it; 0: as it was made."""
    return struct.pack("<Q", number) * (BLOCK // 8)


def write(path: Path) -> None:
    """Make the file, and write on and on."""
    file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_TRUNC)
    for _ in range(BLOCKS):
        os.write(file, filled(0))
    os.fsync(file)
    for number in itertools.count(1):
        os.pwrite(file, filled(number), number * _STEP % BLOCKS * BLOCK)
        if number % _FLUSHED_EVERY == 0:
            os.fdatasync(file)
        time.sleep(0.01)


def check(path: Path) -> dict[str, object]:
    """Compare each block with what the newest write that is there, and those before it, left."""
    content = path.read_bytes()
    blocks = [content[at : at + BLOCK] for at in range(0, len(content), BLOCK)]
    writes = max(struct.unpack_from("<Q", block)[0] for block in blocks)
    expected = [0] * BLOCKS
    for number in range(1, writes + 1):
        expected[number * _STEP % BLOCKS] = number
    wrong = [at for at in range(BLOCKS) if blocks[at] != filled(expected[at])]
    return {"writes": writes, "blocks": len(blocks), "wrong": wrong}


if __name__ == "__main__":
    if sys.argv[1] == "write":
        write(Path(sys.argv[2]))
    else:
        json.dump(check(Path(sys.argv[2])), sys.stdout)
