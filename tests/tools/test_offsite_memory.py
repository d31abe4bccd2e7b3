"""An upload's memory, with many small contents: at most 150 MiB are resident."""

import os
import random
import sys
from pathlib import Path

import pytest

from support.offsite import CopiedStore
from support.seaweed import Seaweed
from support.usage import used

pytestmark = [pytest.mark.timeout(600), pytest.mark.slow]
HOLDSTILL = Path(sys.executable).with_name("holdstill")
MIB = 1 << 20
MOST = 150 * MIB


def small_ones(total: int) -> dict[bytes, bytes]:
    """Return files as a tree of a system has them: most below 16 KiB, and some of megabytes."""
    chance = random.Random(21)  # noqa: S311  sizes, the same ones each time
    files: dict[bytes, bytes] = {}
    while total > 0:
        size = min(int(chance.lognormvariate(8.5, 1.8)) + 1, 8 * MIB)
        text = os.urandom(max(size // 3, 1)).hex().encode()[:size]
        files[b"usr/%d" % len(files)] = text
        total -= size
    return files


def test_many_small_contents_take_no_more_memory_than_is_promised(
    server: Seaweed, tmp_path: Path
) -> None:
    held = CopiedStore(tmp_path, server.address())
    held.held.enrol("pier-3")
    files = small_ones(200 * MIB)
    assert len(files) > 5000
    held.capture("pier-3", files)

    assert used([HOLDSTILL, "offsite", "upload", "--store", held.root]).peak < MOST
