"""A finished image is read back from the medium, not from memory."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.model.sizes import MIB
from holdstill.rebuild import rebuild_target
from support import loop, programs

if TYPE_CHECKING:
    from pathlib import Path


def cached(path: Path) -> int:
    """Return the bytes of a file that are in memory (fincore(1))."""
    return int(programs.run("fincore", "--bytes", "--noheadings", "--output", "RES", path))


def test_nothing_of_an_image_stays_in_memory_that_is_to_be_read_back(tmp_path: Path) -> None:
    with (
        loop.ext4_volume(tmp_path) as volume,
        rebuild_target.drafted(volume / "pier-3.img", size=8 * MIB) as draft,
    ):
        os.pwrite(draft.handle, os.urandom(4 * MIB), MIB)
        written = cached(draft.path)

        rebuild_target.flush_and_drop_caches(draft)

        assert written >= 4 * MIB
        assert cached(draft.path) == 0
