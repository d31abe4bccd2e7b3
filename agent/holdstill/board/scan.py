"""What is there: every entry of one file system, exactly, without leaving a trace.

Nothing is followed: names are looked up from open directories, files are opened only to ask for
what lstat(2) does not return, never to block and never to move an access time. On a mounted ext4
the inode tables answer most of that, so that 150,000 files do not cost 150,000 opens.
"""

from __future__ import annotations

import errno
import heapq
import os
import stat
from contextlib import ExitStack, contextmanager, suppress
from enum import Enum
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdstill.board.path_filter import Choice
from holdstill.model import paths
from holdstill.model.entries import (
    KEPT_FLAGS,
    LOCKED_NS,
    NEVER_SEEN,
    NO_XFLAGS,
    Entry,
    EntryType,
    Omitted,
    Seen,
    Xflags,
)
from holdstill.system import bare_mount, file_status, files, fscrypt, fsxattr, ioctl

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.board.inode_tables import Facts
    from holdstill.board.path_filter import PathFilter

_INLINE = 0x10000000
"""FS_INLINE_DATA_FL: the content is in the inode, so that the file occupies no blocks."""
_FAT_KEPT = 0x27
"""Read-only, hidden, system, archive (Microsoft, FAT: General Overview of On-Disk Format)."""
_STAND_IN = 2
"""Inode of the empty folder that a snapshot of a btrfs has in the place of a subvolume that was
in its origin (BTRFS_EMPTY_SUBVOL_DIR_OBJECTID of linux/btrfs_tree.h)."""
_EMPTY = frozenset({Choice.HOLLOW, Choice.NOTHING})
_GONE = frozenset({errno.ENOENT, errno.ENOTDIR, errno.ELOOP, errno.EXDEV})
_NO_XATTRS = frozenset({errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.ENODATA})
_UNASKABLE = frozenset({errno.EACCES, errno.EPERM, errno.EAGAIN, errno.ETXTBSY})
"""Errors of open(2) for a file that we may not read, or that is under a lease."""
_DEVICES = frozenset({EntryType.CHARACTER, EntryType.BLOCK})
_OPENED = frozenset({EntryType.FILE, EntryType.DIRECTORY})
"""Only these can be opened without an effect; a device might rewind, a fifo might wait."""


class PathRules(Enum):
    """Which metadata a file system has for its entries."""

    POSIX = "posix"
    FAT = "fat"
    """Attributes instead of modes and owners; the kernel makes up inode numbers and ctimes."""


def fat_shift_ns(options: str, *, minutes_west: int) -> int:
    """Return what the kernel adds to the times on a mounted FAT, which it takes as local ones.

    Args:
        options: mount options.
        minutes_west: the kernel's own time zone.
    """
    for option in options.split(","):
        key, _, value = option.partition("=")
        if key == "tz" and value == "UTC":
            minutes_west = 0
        elif key == "time_offset":
            minutes_west = -int(value)
    return minutes_west * 60_000_000_000


class ScanProblem(NamedTuple):
    """Something that could not be read.

    Attributes:
        hint: what to do about it.
        is_loss: whether something of it is not described at all.
    """

    path: bytes
    reason: str
    hint: str = "see what is the matter there"
    is_loss: bool = True


class Inodes(Protocol):
    """Reads inodes without opening files."""

    def facts(self, number: int) -> Facts | None:
        """Return an inode's fields at this moment; None when they are not known."""

    def forget(self) -> None:
        """Read again, whatever was read before."""


class InodeFields(NamedTuple):
    """What lstat(2) does not return, as far as it is in the inode itself."""

    flags: int = 0
    generation: int = 0
    project: int = 0
    xflags: Xflags = NO_XFLAGS


class Listing(NamedTuple):
    """One directory and its entries, in name order, read one at a time."""

    directory: bytes
    entries: Iterator[Entry]


@contextmanager
def opened_root(mount: bytes) -> Iterator[int]:
    """Hold a file system's root open for a scanner, without what is mounted in it if possible.

    Only root can read below mount points. Others get what is mounted over them.

    Args:
        mount: a path to its top, or to a descriptor of that (proc_pid_fd(5)).
    """
    with ExitStack() as undo:
        try:
            handle = undo.enter_context(bare_mount.bare_mount(mount))
        except PermissionError:
            handle = undo.enter_context(files.opened(mount, os.O_RDONLY | os.O_DIRECTORY))
        yield handle


class Scanner:
    """Reads the entries of one file system.

    Attributes:
        root: open directory: the file system's root.
        troubles: what could not be read.
        has_encryption: whether folders can be encrypted by the file system.
        doubtful: directories that moved while they were about to be listed; must be listed again.
    """

    def __init__(
        self,
        root: int,
        rules: PathFilter,
        *,
        inodes: Inodes | None = None,
        flavour: PathRules = PathRules.POSIX,
        fat_shift_ns: int = 0,
        is_one_of_several: bool = False,
        has_projects: bool = False,
        has_encryption: bool = False,
    ) -> None:
        """Prepare.

        Args:
            root: open directory; the caller closes it when the scanner is no longer used.
            rules: what to leave out.
            inodes: a quicker way to flags and the like, if there is one.
            flavour: what the file system can say.
            fat_shift_ns: what the kernel added to the times on a FAT to make them UTC.
            is_one_of_several: whether it is one tree of a btrfs, whose subvolumes have their own.
            has_projects: whether inodes can have what fsxattr reads, and are to be asked for it.
            has_encryption: whether folders can be encrypted, and are asked if they are locked.
        """
        self.root = root
        self.rules = rules
        self.troubles: list[ScanProblem] = []
        self.doubtful: set[int] = set()
        self._inodes = inodes
        self._flavour = flavour
        self._fat_shift_ns = fat_shift_ns
        self._is_one_of_several = is_one_of_several
        self._has_projects = has_projects
        self.has_encryption = has_encryption
        self._device = file_status.of_handle(root).st_dev

    def describe(self, handle: int, directory: bytes, name: bytes) -> Entry | None:
        """Return the entry of a name in an open directory, or None.

        None means that there is no such name, or that it is left out.

        Args:
            handle: the open directory.
            directory: its path in the file system.
            name: the name; b"" for the directory itself, which must be the root.
        """
        path = paths.join(directory, name)
        keep = self.rules.choose(path)
        if keep is Choice.NOTHING:
            return None
        try:
            status = file_status.of_name(handle, name or b".")
            if not self._is_kept(keep, status.st_mode):
                return None
            if self._is_other_tree(status):
                is_stand_in = status.st_ino == _STAND_IN
                return _stand_in(handle, directory, name, status) if is_stand_in else None
            return self._entry(handle, directory, name, status)
        except OSError as error:
            if error.errno not in _GONE:
                self.troubles.append(ScanProblem(path, os.strerror(error.errno or 0)))
            return None

    def _is_other_tree(self, status: os.stat_result) -> bool:
        return self._is_one_of_several and status.st_dev != self._device

    def _is_kept(self, keep: Choice, mode: int) -> bool:
        if keep is Choice.WHOLE or stat.S_ISDIR(mode):
            return True
        return keep is Choice.HOLLOW and stat.S_ISLNK(mode)

    def _entry(self, handle: int, directory: bytes, name: bytes, status: os.stat_result) -> Entry:
        if self._flavour is PathRules.FAT:
            return self._fat_entry(handle, directory, name, status)
        if status.st_dev != self._device:
            # Describe a mount point that could only be seen from above.
            path = paths.join(directory, name)
            reason = "a file system is mounted here; only what covers it can be seen"
            self.troubles.append(ScanProblem(path, reason, is_loss=False))
            return Entry(
                directory, name, EntryType.of_mode(status.st_mode), status.st_mode & 0o7777,
                status.st_uid, status.st_gid, 0, status.st_mtime_ns, seen=NEVER_SEEN,
            )  # fmt: skip
        kind = EntryType.of_mode(status.st_mode)
        is_file = kind is EntryType.FILE
        asked, xattrs = self._asked(handle, name, kind, status)
        size = status.st_size if is_file else 0
        linked = status.st_nlink > 1 and kind is not EntryType.DIRECTORY
        sparse = is_file and status.st_blocks * 512 < size and not asked.flags & _INLINE
        is_locked = kind is EntryType.DIRECTORY and self._is_locked(handle, name)
        changed = LOCKED_NS if is_locked else status.st_ctime_ns
        swap = is_file and self.rules.is_swap_file(paths.join(directory, name))
        return Entry(
            directory, name, kind, status.st_mode & 0o7777, status.st_uid, status.st_gid, size,
            status.st_mtime_ns,
            status.st_ino if linked else 0,
            status.st_rdev if kind in _DEVICES else 0,
            asked.flags & KEPT_FLAGS,
            int(sparse),
            os.readlink(name, dir_fd=handle) if kind is EntryType.SYMLINK else b"",
            omitted=Omitted.SWAP if swap and size else Omitted.NOTHING,
            xattrs=xattrs,
            seen=Seen(status.st_ino, changed, asked.generation),
            project=asked.project,
            xflags=asked.xflags,
        )  # fmt: skip

    def _fat_entry(
        self, handle: int, directory: bytes, name: bytes, status: os.stat_result
    ) -> Entry:
        kind = EntryType.of_mode(status.st_mode)
        with self._opened_to_ask(handle, name, kind) as opened:
            attributes = ioctl.fat_attributes(opened) if name else 0
        is_file = kind is EntryType.FILE
        return Entry(
            directory, name, kind,
            size=status.st_size if is_file else 0,
            mtime_ns=status.st_mtime_ns - self._fat_shift_ns if name else 0,
            flags=attributes & _FAT_KEPT,
            seen=Seen(0, status.st_ctime_ns, 0),
        )  # fmt: skip

    def _asked(
        self, handle: int, name: bytes, kind: EntryType, status: os.stat_result
    ) -> tuple[InodeFields, Mapping[str, bytes]]:
        """Return the further fields and the extended attributes of an inode."""
        facts = self._facts(status)
        if facts is None:
            fields = self._inode_fields(handle, name, kind, status.st_ino)
            return fields, self._xattrs(handle, name)
        flags = facts.flags if kind in _OPENED else 0
        xattrs = self._xattrs(handle, name) if facts.has_xattrs else {}
        return InodeFields(flags, facts.generation, facts.project), xattrs

    def _facts(self, status: os.stat_result) -> Facts | None:
        """Return the fields of the inode table, if they are of the same state of the inode."""
        if self._inodes is None:
            return None
        facts = self._inodes.facts(status.st_ino)
        if facts is not None and facts.ctime_ns != status.st_ctime_ns:
            self._inodes.forget()  # what was read before may be old
            facts = self._inodes.facts(status.st_ino)
        if facts is None or facts.ctime_ns != status.st_ctime_ns:
            return None
        return facts

    def _inode_fields(self, handle: int, name: bytes, kind: EntryType, inode: int) -> InodeFields:
        if kind not in _OPENED:
            if not self._has_projects:
                return InodeFields()
            return InodeFields(project=fsxattr.project_of_unopened(handle, inode))
        try:
            with self._opened_to_ask(handle, name, kind) as opened:
                flags, generation = ioctl.inode_flags(opened), ioctl.inode_generation(opened)
                if not self._has_projects:
                    return InodeFields(flags, generation)
                more = fsxattr.read(opened)
                flags |= fsxattr.kept_flags(more)
                return InodeFields(flags, generation, more.project, fsxattr.kept_xflags(more))
        except OSError as error:
            if error.errno not in _UNASKABLE:
                raise
            return InodeFields()  # its entry is worth having without

    @contextmanager
    def _opened_to_ask(self, handle: int, name: bytes, kind: EntryType) -> Iterator[int]:
        opened = _open(name or b".", _READ, dir_fd=handle)
        try:
            if EntryType.of_mode(file_status.of_handle(opened).st_mode) is not kind:
                raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), name)
            yield opened
        finally:
            os.close(opened)

    def _xattrs(self, handle: int, name: bytes) -> Mapping[str, bytes]:
        # There is no listxattrat(2) before Linux 6.13; the name under /proc is followed to the
        # open directory only, never beyond.
        place = b"/proc/self/fd/%d/%b" % (handle, name or b".")
        try:
            return {
                attribute: os.getxattr(place, attribute, follow_symlinks=False)
                for attribute in os.listxattr(place, follow_symlinks=False)
            }
        except OSError as error:
            if error.errno in _NO_XATTRS:
                return {}
            raise

    def walk(self, top: bytes = b"") -> Iterator[Entry]:
        """Yield a directory and everything below it, in key order; nothing if it is none."""
        entry = self.find(top)
        if entry is None or entry.type is not EntryType.DIRECTORY:
            return
        yield entry
        for listing in self.listings(entry):
            yield from listing.entries

    def listings(self, top: Entry) -> Iterator[Listing]:
        """Yield every directory from top on with its entries, empty ones too, in key order.

        Directories that are gone when their turn comes are left out, and noted as doubtful.
        """
        # A directory's path is smaller than those below it, so the smallest one known is next.
        waiting = [(top.path, top.seen.inode)]
        while waiting:
            directory, inode = heapq.heappop(waiting)
            with self.opened_directory(directory, inode) as handle:
                if handle is not None:
                    entries = self._noting(self._listed(handle, directory), waiting)
                    yield Listing(directory, entries)
                    for _ in entries:  # whoever listens may stop early; we need them all
                        pass

    def _listed(self, handle: int, directory: bytes) -> Iterator[Entry]:
        for name in sorted(self.names(handle, directory)):
            entry = self.describe(handle, directory, name)
            if entry is not None:
                yield entry

    @staticmethod
    def _noting(entries: Iterator[Entry], waiting: list[tuple[bytes, int]]) -> Iterator[Entry]:
        for entry in entries:
            if entry.type is EntryType.DIRECTORY:
                heapq.heappush(waiting, (entry.path, entry.seen.inode))
            yield entry

    def names(self, handle: int, directory: bytes) -> list[bytes]:
        """Return the names in an open directory that can be kept; none if it is kept empty."""
        if self._is_shut(handle, directory):
            return []
        found = [os.fsencode(name) for name in os.listdir(handle)]
        return [name for name in found if self._fits(directory, name)]

    def numbers(self, handle: int, directory: bytes) -> dict[bytes, int]:
        """Return the same names with the numbers of their inodes."""
        if self._is_shut(handle, directory):
            return {}
        with os.scandir(handle) as listing:
            found = {os.fsencode(item.name): item.inode() for item in listing}
        return {name: inode for name, inode in found.items() if self._fits(directory, name)}

    def _is_shut(self, handle: int, directory: bytes) -> bool:
        """Whether nothing of what is in an open directory is kept, or has names."""
        if self.rules.choose(directory) in _EMPTY:
            return True
        if not self._is_locked(handle, b""):
            return False
        reason = "it is encrypted, and locked: what is in there has neither names nor contents"
        self.troubles.append(ScanProblem(directory, reason, is_loss=False))  # the index has it
        return True

    def _is_locked(self, handle: int, name: bytes) -> bool:
        """Whether a folder in an open directory, or that one itself, is encrypted and locked."""
        if not self.has_encryption:
            return False
        with self._opened_to_ask(handle, name, EntryType.DIRECTORY) as opened:
            return fscrypt.is_locked(opened)

    def _fits(self, directory: bytes, name: bytes) -> bool:
        """Whether a path is short enough to be kept."""
        is_short = len(directory) + len(name) < paths.PATH_MAX
        if is_short and directory.count(b"/") + 2 <= paths.DEPTH_MAX:
            return True
        path = paths.join(directory, name)
        self.troubles.append(ScanProblem(path, "its path is too long or too deep"))
        return False

    @contextmanager
    def opened_directory(self, directory: bytes, inode: int) -> Iterator[int | None]:
        """Hold a directory open; None, and a doubt, if it is not there or is another one.

        Args:
            directory: its path.
            inode: what its inode must be; 0 for whatever there is.
        """
        handle = self._open_directory(directory)
        if handle is None:
            self.doubtful.update({inode} - {0})
            yield None
            return
        try:
            status = file_status.of_handle(handle)
            is_other = bool(inode) and status.st_ino != inode
            if is_other:
                self.doubtful.add(inode)
            # What is mounted there is another file system's affair.
            yield None if is_other or status.st_dev != self._device else handle
        finally:
            os.close(handle)

    def _open_directory(self, directory: bytes) -> int | None:
        try:
            return _open_beneath(self.root, directory, os.O_RDONLY | os.O_DIRECTORY)
        except OSError as error:
            if error.errno not in _GONE:
                self.troubles.append(ScanProblem(directory, os.strerror(error.errno or 0)))
            return None

    def find(self, path: bytes) -> Entry | None:
        """Return the entry at a path, None if there is none or it is left out."""
        directory, name = paths.split(path)
        handle = self._open_directory(directory)
        if handle is None:
            return None
        try:
            return self.describe(handle, directory, name)
        finally:
            os.close(handle)

    def open(self, entry: Entry) -> int:
        """Open a regular file's content for reading; the caller closes.

        Raises:
            OSError: it is gone, or cannot be read.
        """
        return _open_beneath(self.root, entry.path, _READ)

    def is_same(self, entry: Entry, handle: int) -> bool:
        """Whether an open file is the one that the entry describes, unchanged since."""
        status = file_status.of_handle(handle)
        if not stat.S_ISREG(status.st_mode) or status.st_size != entry.size:
            return False
        inode = 0 if self._flavour is PathRules.FAT else status.st_ino
        return (inode, status.st_ctime_ns) == entry.seen[:2]


_READ = os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_NOFOLLOW | os.O_CLOEXEC


def _open(name: bytes, flags: int, *, dir_fd: int) -> int:
    """Open without moving the access time, where the kernel lets us (owner or root)."""
    with suppress(PermissionError):
        return os.open(name, flags | os.O_NOATIME, dir_fd=dir_fd)
    return os.open(name, flags, dir_fd=dir_fd)


def _open_beneath(top: int, path: bytes, flags: int) -> int:
    with suppress(PermissionError):
        return files.open_beneath(top, path, flags | os.O_NOATIME)
    return files.open_beneath(top, path, flags)


def _stand_in(handle: int, directory: bytes, name: bytes, status: os.stat_result) -> Entry:
    """Describe it; the kernel makes its time up anew at each look, so it gets its folder's."""
    mtime_ns = file_status.of_handle(handle).st_mtime_ns
    return Entry(
        directory, name, EntryType.DIRECTORY, status.st_mode & 0o7777,
        status.st_uid, status.st_gid, 0, mtime_ns, seen=NEVER_SEEN,
    )  # fmt: skip
