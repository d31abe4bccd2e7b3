"""What a page says of an entry of a file system. Pure."""

from __future__ import annotations

import os
import stat
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from holdstill.model.entries import EntryType, Omitted

if TYPE_CHECKING:
    from holdstill.model.entries import Entry

_KINDS = {
    EntryType.FILE: "file",
    EntryType.DIRECTORY: "folder",
    EntryType.CHARACTER: "character device",
    EntryType.BLOCK: "block device",
    EntryType.FIFO: "pipe",
    EntryType.SOCKET: "socket",
    EntryType.SYMLINK: "symlink",
}
_OMITTED = {Omitted.SWAP: "swap, made anew by a rebuild", Omitted.UNREADABLE: "not readable"}


def kind(entry: Entry) -> str:
    """Say what it is."""
    if entry.type in {EntryType.CHARACTER, EntryType.BLOCK}:
        return f"{_KINDS[entry.type]} {os.major(entry.rdev)}:{os.minor(entry.rdev)}"
    return _KINDS[entry.type]


def mode(entry: Entry) -> str:
    """Write type and permission bits as `ls -l` does (POSIX.1-2017, XCU ls)."""
    return stat.filemode(entry.type.format_bits | entry.mode)


def moment(nanoseconds: int) -> str:
    """Write a time in UTC, to the minute; in seconds where no calendar has it."""
    seconds = nanoseconds // 1_000_000_000
    try:
        return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d %H:%M}"
    except (OverflowError, ValueError, OSError):
        return f"{seconds} s"


def lack(entry: Entry) -> str:
    """Say why the content of a file is not in the capture; "" if it is, or if it has none."""
    is_whole = entry.type is not EntryType.FILE or not entry.size or bool(entry.digest)
    return "" if is_whole else _OMITTED.get(entry.omitted, "not captured")


def is_folder(entry: Entry) -> bool:
    """Whether something may be in it."""
    return entry.type is EntryType.DIRECTORY


def has_content(entry: Entry) -> bool:
    """Whether it is a file that can be taken out."""
    return entry.type is EntryType.FILE and not lack(entry)
