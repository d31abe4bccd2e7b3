"""What takes an emulator many minutes to make: kept from one run of the tests to the next."""

from __future__ import annotations

import hashlib
import shutil
from typing import TYPE_CHECKING

from support.vm import board

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_MAKERS = ("agent/holdstill", "tests/support/vm")
"""Folders with all that a board's life depends on, beside its tree."""


def kept(name: str, flavour: board.Flavour, make: Callable[[Path], None]) -> Path:
    """Return a folder that was filled by make, in this run or in an earlier one.

    In an earlier one if nothing that it is made from has changed since: the tree of the board,
    the agent, the guests' programs, and what drives them. What was made of others is deleted.
    """
    place = board.cache() / f"{name}-{board.hashed(_inputs(flavour))}"
    with board.locked(board.cache() / f"{name}.lock"):
        if not place.exists():
            for old in board.cache().glob(f"{name}-????????????????"):
                shutil.rmtree(old)
            with board.scratch(board.cache()) as work:
                make(work)
                work.rename(place)
    return place


def _inputs(flavour: board.Flavour) -> str:
    files = (path for folder in _MAKERS for path in (board.PROJECT / folder).rglob("*"))
    sources = sorted(path for path in files if path.suffix in {".py", ".sh", ".service"})
    digests = (hashlib.sha256(path.read_bytes()).hexdigest() for path in sources)
    return "\n".join([flavour.name, board.digest(flavour), *digests])
