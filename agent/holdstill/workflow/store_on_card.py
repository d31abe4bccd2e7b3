"""A store on the very card that is captured: the captures die with it."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.board import disks_below, mounts
from holdstill.errors import PreflightError
from holdstill.model import tree_views
from holdstill.model.paths import BoardPath
from holdstill.model.settings import StoreOnCard
from holdstill.model.store_address import FolderAddress

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from holdstill.board.layout import BoardLayout
    from holdstill.board.mounts import Mount
    from holdstill.model.settings import BoardSettings


def remark(settings: BoardSettings, devices: Iterable[Path]) -> str:
    """Return a sentence on a store that lies on a captured disk; "" for one elsewhere.

    Of a keeper that is reached over SSH nothing is known, even if it is this machine.
    """
    address = settings.keeper
    if not isinstance(address, FolderAddress):
        return ""
    below = disks_below.disks_below(address.path, mounts.read_mounts())
    for device in devices:
        if disks_below.disk_name(device) in below:
            return (
                f"the store {address.path} is on {device} itself, which is captured: when that "
                "fails, the captures are lost with it"
            )
    return ""


def check(settings: BoardSettings, devices: Iterable[Path]) -> str:
    """Return the remark on a store on the captured disk, if the settings insist on it.

    Raises:
        PreflightError: they do not.
    """
    text = remark(settings, devices)
    if text and settings.store_on_card is StoreOnCard.REFUSE:
        raise PreflightError(
            text,
            hint="name another disk's directory or another machine as `keeper`; to insist (for a "
            "trial, say), write `store_on_card: accept` into the board's settings, or give "
            "`holdstill setup` the option --store-on-card",
        )
    return text


def inside(settings: BoardSettings, board: BoardLayout, all_mounts: tuple[Mount, ...]) -> str:
    """Return where the store is among the files of the board, as a capture sees them; "" if not.

    A capture that held the store would hold all earlier captures again.

    Raises:
        PreflightError: it is on a captured disk, and cannot be named.
    """
    address = settings.keeper
    if not isinstance(address, FolderAddress):
        return ""
    path = BoardPath(os.fsencode(os.path.realpath(address.path)))
    mount = mounts.mount_of(path, all_mounts)
    for part in board.parts:
        if mount is None or part.mount is None or part.mount.device != mount.device:
            continue
        if not part.seen:  # no path from the board's root leads there
            continue
        on_disk = mounts.joined(mount.inside, mounts.relative_to(path, mount.point))
        if part.views:
            top = part.tree_path.encode()
            inside = on_disk.raw.strip(b"/")
            if not tree_views.is_within(inside, top):
                continue
            seen = tree_views.place_of(part.seen, inside[len(top) :].strip(b"/"))
            if seen is None:
                raise PreflightError(
                    f"the store {address.path} is in {on_disk} of {part.device}, a folder that is "
                    "seen nowhere below the root: it cannot be left out of its own captures",
                    hint="name another directory or another machine as `keeper`",
                )
            return os.fsdecode(seen)
        if mounts.is_below(on_disk, part.mount.inside):
            place = BoardPath(os.fsencode(part.place))
            found = mounts.joined(place, mounts.relative_to(on_disk, part.mount.inside))
            return os.fsdecode(found.raw)
    return ""
