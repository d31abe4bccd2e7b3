"""Entries into a mounted, empty file system, by the kernel's own calls.

Nothing is followed: every directory is opened from the root without symlinks, every name is used
relative to that. In each file the order is: data, owner, mode, attributes, time, project, flags;
chown and write take setuid and capabilities away (chown(2), capabilities(7)). Directories get
theirs when everything is in them, so that what is made in them inherits nothing; files of several
names that nobody may change get their flags then. A symlink, pipe,
socket or device cannot be opened to be given a project, and is made where it inherits its own.
"""

from __future__ import annotations

import errno
import os
from contextlib import contextmanager
from itertools import groupby
from typing import TYPE_CHECKING, Protocol

from holdstill.errors import TargetFailedError, VerificationError
from holdstill.filesystems import writer_input
from holdstill.model import paths
from holdstill.model.entries import (
    BTRFS_COMPRESSION,
    KEPT_FLAGS,
    NO_XFLAGS,
    EntryType,
    Omitted,
)
from holdstill.system import file_status, files, fsxattr, ioctl, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from holdstill.filesystems.writer_input import ByteCounter
    from holdstill.model.entries import Entry
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.system.ioctl import FsXattr

NO_COPY_ON_WRITE = 0x00800000
"""FS_NOCOW_FL of linux/fs.h: counts only when it is set on an empty file."""
_AS_XFLAGS = {0x10: 0x8, 0x20: 0x10}
"""FS_IMMUTABLE_FL and FS_APPEND_FL of linux/fs.h, as FS_XFLAG_*."""
_NO_MORE_NAMES = sum(_AS_XFLAGS)
"""link(2) refuses files with these (EPERM)."""
WARNINGS_MAX = 20
_NEW = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
_ASK = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
_FOLDER = os.O_RDONLY | os.O_DIRECTORY


class PopulateFiles(Protocol):
    """Puts the content of an entry into a new file of its size."""

    def __call__(self, contents: ContentSource, entry: Entry, target: int) -> None:
        """Do so; target is open for writing."""


@contextmanager
def _said_of_the_target() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise TargetFailedError(
            f"filling the file system failed: {error}",
            hint="give this partition more room"
            if error.errno in {errno.ENOSPC, errno.EDQUOT}
            else "see what the kernel says (dmesg), and try another target",
        ) from error


class Populator:
    """Fills one mounted file system.

    Attributes:
        entries: how many were made.
        warnings: what could not be restored exactly, for people.
    """

    def __init__(
        self,
        root: int,
        contents: ContentSource,
        heads: Mapping[bytes, bytes],
        progress: ByteCounter,
        pour: PopulateFiles = writer_input.copy,
    ) -> None:
        self._root, self._contents, self._pour = root, contents, pour
        self._heads, self._progress = heads, progress
        self._links: dict[int, bytes] = {}  # grows with files of several names only
        self.entries = 0
        self.warnings: list[str] = []

    def fill(self, entries: Iterable[Entry]) -> None:
        """Make all entries.

        Raises:
            VerificationError: a content does not match its digest, or an entry has no parent.
            TargetFailedError: the file system is full, or the kernel refuses.
        """
        with _said_of_the_target():
            self._each_directory(entries, self._make)

    def finish(self, entries: Iterable[Entry]) -> None:
        """Give directories their owners, modes, attributes, times and flags.

        Files of several names that nobody may change get their flags, for they get no more names.

        Raises:
            VerificationError: an entry has no parent.
            TargetFailedError: the file system is full, or the kernel refuses.
        """
        last = (
            entry
            for entry in entries
            if entry.type is EntryType.DIRECTORY or _gets_flags_last(entry)
        )
        with _said_of_the_target():
            self._each_directory(last, self._finish)

    def _each_directory(
        self, entries: Iterable[Entry], work: Callable[[int, Entry], None]
    ) -> None:
        for directory, group in groupby(entries, key=lambda entry: entry.directory):
            try:
                handle = files.open_beneath(self._root, directory, _FOLDER)
            except OSError as error:
                raise VerificationError(
                    f"the index lists names in {paths.display(directory)!r}, "
                    "which is no directory in it"
                ) from error
            try:
                for entry in group:
                    work(handle, entry)
            finally:
                os.close(handle)

    def _make(self, handle: int, entry: Entry) -> None:
        self.entries += 1
        if not entry.path:
            return
        first = self._links.get(entry.link) if entry.link else None
        if first is not None:
            above, name = paths.split(first)
            other = files.open_beneath(self._root, above, _FOLDER)
            try:
                os.link(
                    name, entry.name, src_dir_fd=other, dst_dir_fd=handle, follow_symlinks=False
                )
            finally:
                os.close(other)
            return
        if entry.link:
            self._links[entry.link] = entry.path
        match entry.type:
            case EntryType.FILE:
                self._write(handle, entry)
            case EntryType.DIRECTORY:
                os.mkdir(entry.name, 0o700, dir_fd=handle)
            case _:
                with self._inheriting(handle, entry):
                    _make_node(handle, entry)
        if entry.type is not EntryType.DIRECTORY:
            self._dress(handle, entry)

    @contextmanager
    def _inheriting(self, handle: int, entry: Entry) -> Iterator[None]:
        """Have what is made in a directory meanwhile get the project id of an entry."""
        if not entry.project:
            yield
            return
        before = fsxattr.read(handle)
        xflags = before.xflags | fsxattr.PROJECT_INHERIT
        wanted = before._replace(project=entry.project, xflags=xflags)
        is_set = self._set_fsxattr(handle, entry, wanted)
        yield
        if is_set:
            self._set_fsxattr(handle, entry, before)

    def _write(self, handle: int, entry: Entry) -> None:
        new = os.open(entry.name, _NEW, 0o600, dir_fd=handle)
        try:
            if entry.flags & NO_COPY_ON_WRITE:
                self._set_flags(new, entry, NO_COPY_ON_WRITE)
            if entry.xflags != NO_XFLAGS:  # extents get a size before there are any
                before = fsxattr.read(new)
                wanted = fsxattr.with_kept(before, project=0, flags=0, xflags=entry.xflags)
                self._set_fsxattr(new, entry, wanted)
            if entry.omitted is Omitted.SWAP:
                os.posix_fallocate(new, 0, entry.size)  # a swap file must have no holes
                sparse_copy.write_all_at(new, 0, self._heads.get(entry.path, b""))
                return
            if BTRFS_COMPRESSION in entry.xattrs:  # only what is written from now on obeys it
                self._set_attribute(new, entry, BTRFS_COMPRESSION)
            os.ftruncate(new, entry.size)
            if entry.digest:
                self._pour(self._contents, entry, new)
        finally:
            os.close(new)
        self._progress.advance(entry.size)

    def _dress(self, handle: int, entry: Entry) -> None:
        name = entry.name or b"."
        os.chown(name, entry.uid, entry.gid, dir_fd=handle, follow_symlinks=False)
        if entry.type is not EntryType.SYMLINK:
            os.chmod(name, entry.mode, dir_fd=handle)
        place = b"/proc/self/fd/%d/%b" % (handle, name)
        for attribute in sorted(entry.xattrs):
            if entry.type is not EntryType.FILE or attribute != BTRFS_COMPRESSION:
                self._set_attribute(place, entry, attribute)
        file_status.set_modified(name, entry.mtime_ns, directory=handle)
        if not _gets_flags_last(entry):
            self._flag(handle, entry)

    def _finish(self, handle: int, entry: Entry) -> None:
        if entry.type is EntryType.DIRECTORY:
            self._dress(handle, entry)
        else:
            self._flag(handle, entry)

    def _flag(self, folder: int, entry: Entry) -> None:
        is_flagged = entry.flags or entry.project or entry.xflags != NO_XFLAGS
        if is_flagged and entry.type in {EntryType.FILE, EntryType.DIRECTORY}:
            asked = os.open(entry.name or b".", _ASK, dir_fd=folder)
            try:
                self._flag_open(asked, entry)
            finally:
                os.close(asked)

    def _flag_open(self, handle: int, entry: Entry) -> None:
        before = fsxattr.read(handle)
        wanted = fsxattr.with_kept(
            before, project=entry.project, flags=entry.flags, xflags=entry.xflags
        )
        if wanted != before:
            self._set_fsxattr(handle, entry, wanted)
        # What was set as FS_XFLAG_* is among the flags, or not, as the kernel is of today or old.
        shown = ioctl.inode_flags(handle) & fsxattr.FLAGS_AS_XFLAGS
        flags = entry.flags & ~fsxattr.FLAGS_AS_XFLAGS
        if flags and BTRFS_COMPRESSION in entry.xattrs:
            self._flag_compressed(handle, entry, flags | shown)
        elif flags:
            self._set_flags(handle, entry, flags | shown)

    def _flag_compressed(self, handle: int, entry: Entry, flags: int) -> None:
        """Set flags on a btrfs, which takes them for a word on compression that names no method.

        So the method is set again; and then, in the way that says nothing of it, what lets nobody
        set it any more.
        """
        self._set_flags(handle, entry, flags & ~_NO_MORE_NAMES)
        self._set_attribute(handle, entry, BTRFS_COMPRESSION)
        if flags & _NO_MORE_NAMES:
            now = fsxattr.read(handle)
            more = sum(xflag for flag, xflag in _AS_XFLAGS.items() if flags & flag)
            self._set_fsxattr(handle, entry, now._replace(xflags=now.xflags | more))

    def _set_attribute(self, place: bytes | int, entry: Entry, name: str) -> None:
        is_open = isinstance(place, int)
        try:
            os.setxattr(place, name, entry.xattrs[name], follow_symlinks=is_open)
        except OSError as error:
            self._warn(entry, f"{name} cannot be set: {error.strerror}")

    def _set_fsxattr(self, handle: int, entry: Entry, wanted: FsXattr) -> bool:
        """Set what struct fsxattr has of an open inode, and return whether that was possible."""
        try:
            ioctl.set_fsxattr(handle, wanted)
        except OSError as error:
            what = f"project {entry.project} and flags {entry.flags:#x}, {entry.xflags}"
            self._warn(entry, f"{what}, cannot be set: {error.strerror}")
            return False
        return True

    def _set_flags(self, handle: int, entry: Entry, flags: int) -> None:
        try:
            others = ioctl.inode_flags(handle) & ~KEPT_FLAGS
            ioctl.set_inode_flags(handle, others | flags)
        except OSError as error:
            self._warn(entry, f"flags {flags:#x} cannot be set: {error.strerror}")

    def _warn(self, entry: Entry, what: str) -> None:
        if len(self.warnings) < WARNINGS_MAX:
            self.warnings.append(f"{paths.display(entry.path)}: {what}")


def _gets_flags_last(entry: Entry) -> bool:
    """Whether it is one of several names of a file that no link can be made to with its flags."""
    is_file = entry.type is EntryType.FILE
    return is_file and bool(entry.link) and bool(entry.flags & _NO_MORE_NAMES)


def _make_node(handle: int, entry: Entry) -> None:
    """Make a symlink, pipe, socket or device."""
    if entry.type is EntryType.SYMLINK:
        os.symlink(entry.target, entry.name, dir_fd=handle)
    else:
        mode = entry.type.format_bits | 0o600
        os.mknod(entry.name, mode, entry.rdev, dir_fd=handle)
