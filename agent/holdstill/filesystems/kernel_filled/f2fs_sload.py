"""An f2fs filled without its kernel driver: the tree is laid out in a directory, then loaded.

What sload.f2fs 1.15 brings was measured by reading its inodes: names, contents, symlinks, hard
links, modes, owners of 16 bits, and whole seconds of 32 bits. It brings no pipe, socket or device,
no extended attribute, and no flag; holes are written out; the root directory keeps the mode and
time that mkfs.f2fs gives it. All of that is reported by entry: see Losses. An owner or group
above 65535 would become another one, 65536 even root: such entries are given to nobody, without
set-uid or set-gid.
"""

from __future__ import annotations

import os
import re
import shutil
import stat
import struct
import tempfile
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.errors import TargetFailedError, TargetRefusedError
from holdstill.filesystems.kernel_filled.kernel_populate import Populator
from holdstill.model import paths
from holdstill.model.entries import EntryType
from holdstill.model.sizes import human
from holdstill.system import files, work_folder
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from holdstill.filesystems.writer_input import ByteCounter
    from holdstill.model.entries import Entry
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.system.process import Runner

HOURS = 4 * 3600.0
ROOT_MODE = 0o755
"""Of the root directory that mkfs.f2fs makes."""
NOBODY = 65534
_EXAMPLES = 3
_SECOND = 1_000_000_000
_LATEST = (1 << 32) - 1
_HIGHEST_ID = (1 << 16) - 1
_LOADED = frozenset({EntryType.FILE, EntryType.DIRECTORY, EntryType.SYMLINK})
_ACCESS_LIST = "system.posix_acl_access"
_GROUP, _MASK = 0x04, 0x10
"""Tags of Linux include/uapi/linux/posix_acl.h."""
_COUNTED = re.compile(rb"valid_inode_count matched with CP\s+\[Ok\.\.\] \[0x([0-9a-f]+)\]")


@dataclass
class SloadLosses:
    """Counts what cannot be kept, by kind, with the first few names of each."""

    _counts: dict[str, int] = field(default_factory=dict)
    _examples: dict[str, list[str]] = field(default_factory=dict)

    def note(self, entry: Entry) -> None:
        """Count everything that this entry loses."""
        for what in _lost(entry):
            self._counts[what] = self._counts.get(what, 0) + 1
            examples = self._examples.setdefault(what, [])
            if len(examples) < _EXAMPLES:
                examples.append(f"/{paths.display(entry.path)}")

    def lines(self) -> tuple[str, ...]:
        """Return one line for each kind of loss, for people."""
        return tuple(
            f"{what}: {count} entries, such as {', '.join(self._examples[what])}"
            for what, count in sorted(self._counts.items())
        )


def losses(entries: Iterable[Entry]) -> SloadLosses:
    """Return what these entries would lose. Pure."""
    found = SloadLosses()
    for entry in entries:
        found.note(entry)
    return found


def check_room(wanted: int, *, number: int) -> None:
    """Refuse when the directory for temporary files cannot hold the tree.

    Args:
        wanted: bytes that the tree takes.
        number: of the partition.

    Raises:
        TargetRefusedError: it has less free.
    """
    folder = tempfile.gettempdir()
    free = shutil.disk_usage(folder).free
    if free < wanted:
        raise TargetRefusedError(
            f"partition {number} is f2fs, which this kernel cannot mount: its files have to be "
            f"laid out in {folder} first, which takes {human(wanted)} and has {human(free)}",
            hint="let TMPDIR name a folder with more room, on a disk of Linux' own kind",
        )


def load(
    device: Path,
    *,
    entries: Iterable[Entry],
    again: Iterable[Entry],
    contents: ContentSource,
    heads: Mapping[bytes, bytes],
    machine: Runner,
    progress: ByteCounter,
) -> tuple[int, tuple[str, ...]]:
    """Load entries into the new, empty f2fs on a device, and have it checked; needs root.

    Args:
        device: block device.
        entries: in key order.
        again: the same.
        contents: what is in the files.
        heads: what is at the beginning of files whose content was omitted, by path.
        machine: runs the tools.
        progress: is called with every file.

    Returns:
        The number of entries that are there, and what could not be laid out exactly, for people;
        what `losses` names is not repeated.

    Raises:
        CommandError: a tool failed.
        TargetFailedError: the tree cannot be laid out, or not all of it was loaded.
        VerificationError: a content does not match its digest.
    """
    with work_folder.made() as private:
        folder = private / "tree"
        folder.mkdir()
        with files.opened(folder, os.O_RDONLY | os.O_DIRECTORY) as root:
            populator = Populator(root, contents, heads, progress)
            populator.fill(_plain(entries))
            populator.finish(_plain(again))
        wanted = _count_inodes(folder)
        machine.run(Command.of("sload.f2fs", "-P", "-t", "/", "-f", folder, device, timeout=HOURS))
    output = machine.run(Command.of("fsck.f2fs", "--dry-run", device, timeout=HOURS))
    counted = _COUNTED.search(output)
    found = int(counted[1], 16) if counted else 0
    if found != wanted:
        raise TargetFailedError(
            f"sload.f2fs left something out: {found} inodes are there, not {wanted}",
            hint="rebuild on a machine whose kernel mounts f2fs",
        )
    return populator.entries, tuple(populator.warnings)


def _count_inodes(folder: Path) -> int:
    seen = set()
    for above, folders, names in os.walk(os.fsencode(folder)):
        for name in (*folders, *names):
            status = os.lstat(os.path.join(above, name))  # noqa: PTH118  bytes
            seen.add(status.st_ino)
    return len(seen) + 1


def _plain(entries: Iterable[Entry]) -> Iterator[Entry]:
    """Yield what sload.f2fs can load of these entries."""
    for entry in entries:
        if entry.type in _LOADED:
            yield _with_short_ids(entry)._replace(
                mtime_ns=_whole_second(entry), xattrs={}, flags=0
            )


def _with_short_ids(entry: Entry) -> Entry:
    mode = mode_without_list(entry)
    if entry.uid > _HIGHEST_ID:
        mode &= ~stat.S_ISUID
    if entry.gid > _HIGHEST_ID:
        mode &= ~stat.S_ISGID
    uid, gid = (NOBODY if one > _HIGHEST_ID else one for one in (entry.uid, entry.gid))
    return entry._replace(mode=mode, uid=uid, gid=gid)


def _whole_second(entry: Entry) -> int:
    return min(max(entry.mtime_ns // _SECOND, 0), _LATEST) * _SECOND


def mode_without_list(entry: Entry) -> int:
    """Return the mode that grants no user more once the access control list is gone.

    With a list, the group's bits of a mode are its mask (acl(5), "CORRESPONDENCE BETWEEN ACL
    ENTRIES AND FILE PERMISSION BITS"): left alone, the owning group might gain by them.
    """
    access = entry.xattrs.get(_ACCESS_LIST)
    if access is None:
        return entry.mode
    group = 0o7
    for tag, bits, _ in struct.iter_unpack("<HHI", access[4 : 4 + (len(access) - 4) // 8 * 8]):
        if tag in {_GROUP, _MASK}:
            group &= bits
    return entry.mode & ~0o070 | (entry.mode & group << 3)


def _lost(entry: Entry) -> Iterator[str]:
    if entry.type not in _LOADED:
        yield f"no {entry.type.name.lower()} node can be made"
        return
    for name in entry.xattrs:
        if name == "security.capability":
            yield "capabilities of programs are not kept"
        elif name.startswith("system.posix_acl"):
            yield "access control lists are not kept"
        else:
            yield f"attributes in {name.partition('.')[0]}. are not kept"
    if entry.path and max(entry.uid, entry.gid) > _HIGHEST_ID:
        yield f"owners and groups above {_HIGHEST_ID} become {NOBODY}, without set-uid and set-gid"
    if entry.flags:
        yield "inode flags are not kept"
    if entry.sparse:
        yield "holes are written out as zeros"
    if not entry.path:
        if mode_without_list(entry) != ROOT_MODE:
            yield f"the root directory's mode is {ROOT_MODE:o}, not {entry.mode:o}"
        yield "the root directory's modification time is that of the rebuild"
    elif _whole_second(entry) // _SECOND != entry.mtime_ns // _SECOND:
        yield "modification times outside 1970 to 2106 become the nearest"
    elif entry.mtime_ns % _SECOND:
        yield "fractions of a second of modification times are not kept"
