"""What the key of a board or a reader was used for and refused, for the owner to read."""

from __future__ import annotations

import json
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.system import clocks

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.system.clocks import Clock

NAME = "refusals.jsonl"
SIZE_MAX = 256 << 10
"""Bytes until the file is put aside; the one put aside before is dropped then."""
_TEXT_MAX = 1000


def note(store: Store, folder: Path, what: str, *, clock: Clock) -> None:
    """Add a line to a folder's refusals.jsonl; escapes and newlines in it are harmless.

    Where that fails, on a full disk or beside others that are refused, the refusal counts more.
    """
    with suppress(OSError):
        _note(store, folder, what, clock)


@contextmanager
def noted(store: Store, folder: Path, asked: str, *, clock: Clock) -> Iterator[None]:
    """Note what the block refuses as unsafe, and what was asked for."""
    try:
        yield
    except SecurityError as error:
        note(store, folder, f"{error} (asked: {asked[:300]!r})", clock=clock)
        raise


def _note(store: Store, folder: Path, what: str, clock: Clock) -> None:
    path = folder / NAME
    if path.exists() and path.stat().st_size > SIZE_MAX:
        store.disk.rename(path, path.with_name("refusals.1.jsonl"))
    with suppress(FileExistsError):
        store.disk.create(path, b"")
    line = {"at": clocks.rfc3339(clock.now()), "refused": what[:_TEXT_MAX]}
    # In ASCII: whatever a terminal would act on is escaped (RFC 8259, 7).
    store.disk.append(path, json.dumps(line).encode() + b"\n")
