"""The devices that mounted file systems keep journals or logs on, beside their own.

A freeze waits for them as it does for the file system's own device.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import mount_device
from holdstill.filesystems.ext4 import external_journal
from holdstill.system import byte_source

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.mounts import Mount

JBD2 = Path("/proc/fs/jbd2")
"""A folder for each journal in use: DEVICE-INODE for one inside, DEVICE for another device (Linux
fs/jbd2/journal.c)."""
_EXT = frozenset({"ext3", "ext4"})
_XFS_OPTIONS = ("logdev", "rtdev")
"""Devices of an xfs beside its data, in its mount options (xfs(5))."""


def of_mount(mount: Mount, *, jbd2: Path = JBD2, dev: Path = Path("/dev")) -> Iterator[Path]:
    """Yield the devices that a mount's file system has its journal or log on, if on others."""
    if mount.type == "xfs":
        named = (mount.option(name) for name in _XFS_OPTIONS)
        yield from (Path(name) for name in named if name)
    elif mount.type in _EXT:
        external = [dev / path.name.replace("!", "/") for path in _journals(jbd2)]
        wanted = _journal_of(mount) if external else b""
        yield from (device for device in external if wanted and _uuid_of(device) == wanted)


def _journals(jbd2: Path) -> list[Path]:
    try:
        return [path for path in jbd2.iterdir() if "-" not in path.name]
    except OSError:
        return []


def _journal_of(mount: Mount) -> bytes:
    try:
        with byte_source.opened(mount_device.node(mount)) as source:
            return external_journal.read_uuid_of_journal(source)
    except (OSError, EOFError):
        return b""


def _uuid_of(journal: Path) -> bytes:
    try:
        with byte_source.opened(journal) as source:
            return external_journal.read_own_uuid(source)
    except (OSError, EOFError):
        return b""
