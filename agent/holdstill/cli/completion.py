"""What a shell offers when Tab is pressed: boards, captures and disks of this machine.

Nothing is asked of anybody, no program is started and nothing is fetched: only folders are listed,
and a store that does not answer within a second offers nothing.
"""

from __future__ import annotations

import signal
from pathlib import Path
from typing import TYPE_CHECKING

from click.shell_completion import CompletionItem

from holdstill.cli import options
from holdstill.errors import HoldstillError
from holdstill.model import names
from holdstill.workflow.capture_ref import LATEST

if TYPE_CHECKING:
    from collections.abc import Iterator

    from click import Context

_MOST = 200
_NO_CARD = ("loop", "ram", "zram", "dm-", "md", "sr", "fd")
"""How the kernel names block devices that are no disk (Documentation/admin-guide/devices.txt)."""
_PATIENCE = 1
"""Seconds until a store that does not answer, on a server that is away say, offers nothing."""


def boards(ctx: Context, _: object, incomplete: str) -> list[str]:
    """Return the boards of the store that is meant."""
    found = _boards(_store(ctx))
    return [name for name in found if name.startswith(incomplete)]


def captures(ctx: Context, _: object, incomplete: str) -> list[str]:
    """Return BOARD/CAPTURE, the newest first; boards, until one is chosen."""
    store = _store(ctx)
    board, slash, which = incomplete.partition("/")
    if not slash:
        return [name for name in _boards(store) if name.startswith(board)]
    if store is None or not names.is_board(board):
        return []
    found = sorted(_listed(store / "boards" / board / "captures"), reverse=True)
    return [
        f"{board}/{name}"
        for name in (LATEST, *found[:_MOST])
        if name.startswith(which) and (name == LATEST or names.is_capture(name))
    ]


def disks(  # type: ignore[explicit-any]  # click's own class has one
    _: Context, __: object, incomplete: str
) -> list[CompletionItem]:
    """Return the disks of this machine behind /dev/, and files elsewhere."""
    if not incomplete.startswith("/dev/"):
        return [CompletionItem(incomplete, type="file")]
    found = sorted(name for name in _listed(Path("/sys/block")) if not name.startswith(_NO_CARD))
    return [CompletionItem(f"/dev/{n}") for n in found if f"/dev/{n}".startswith(incomplete)]


def _store(ctx: Context) -> Path | None:
    """Return the directory of this machine that is the store; None for one elsewhere."""
    signal.signal(signal.SIGALRM, signal.SIG_DFL)  # which ends this process
    signal.alarm(_PATIENCE)
    try:
        address = options.store_address(ctx.params.get("store") or ctx.params.get("store_address"))
    except (HoldstillError, OSError):
        return None
    return None if "://" in address else Path(address)


def _boards(store: Path | None) -> list[str]:
    if store is None:
        return []
    found = filter(names.is_board, _listed(store / "boards"))
    return sorted(found, key=names.natural)


def _listed(folder: Path) -> Iterator[str]:
    try:
        yield from (item.name for item in folder.iterdir())
    except OSError:
        return
