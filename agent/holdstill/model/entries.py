"""One entry of a file system: everything that a rebuild must restore."""

from __future__ import annotations

import stat
from enum import IntEnum
from operator import itemgetter
from typing import TYPE_CHECKING, NamedTuple

from holdstill.model.paths import join

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping


KEPT_FLAGS = (
    0x1  # secure deletion
    | 0x2  # undelete
    | 0x8  # synchronous
    | 0x10  # immutable
    | 0x20  # append only
    | 0x40  # no dump
    | 0x80  # no access time
    | 0x4000  # data journalling
    | 0x8000  # no tail packing
    | 0x10000  # synchronous directory
    | 0x20000  # top of a directory tree
    | 0x800000  # no copy on write (btrfs)
    | 0x2000000  # direct access to persistent memory
    | 0x20000000  # what is made in this directory gets its project id
)
"""The FS_*_FL of linux/fs.h that people set with chattr and that a rebuild restores."""


XFLAG_EXTENT_SIZE = 0x800
KEPT_XFLAGS = (
    0x400  # no symlinks in this directory
    | XFLAG_EXTENT_SIZE  # this file's extents have a size
    | 0x1000  # those of files made in this directory
    | 0x2000  # not to be defragmented
    | 0x4000  # its files get an allocation group of their own
    | 0x10000  # extents have a size where shared blocks are written
)
"""The FS_XFLAG_* of linux/fs.h (xfs) that people set and a rebuild restores, and that no FS_*_FL
means. Not those of a realtime section, which is on a second device."""


BTRFS_COMPRESSION = "btrfs.compression"
"""The property of btrfs that files and folders have as an attribute: how they are compressed."""


class EntryType(IntEnum):
    """What an entry is; the values are those of the type field of a directory entry in ext4."""

    FILE = 1
    DIRECTORY = 2
    CHARACTER = 3
    BLOCK = 4
    FIFO = 5
    SOCKET = 6
    SYMLINK = 7

    @classmethod
    def of_mode(cls, mode: int) -> EntryType:
        """Read the type out of st_mode."""
        return _BY_FORMAT[stat.S_IFMT(mode)]

    @property
    def format_bits(self) -> int:
        """The S_IFMT bits of this type."""
        return _FORMATS[self]


_FORMATS = {
    EntryType.FILE: stat.S_IFREG,
    EntryType.DIRECTORY: stat.S_IFDIR,
    EntryType.CHARACTER: stat.S_IFCHR,
    EntryType.BLOCK: stat.S_IFBLK,
    EntryType.FIFO: stat.S_IFIFO,
    EntryType.SOCKET: stat.S_IFSOCK,
    EntryType.SYMLINK: stat.S_IFLNK,
}
_BY_FORMAT = {bits: kind for kind, bits in _FORMATS.items()}


new = tuple.__new__
"""Makes a NamedTuple of all of its values, in half the time; it does not count them."""


class Omitted(IntEnum):
    """Why a regular file's content is not in the capture although its entry is."""

    NOTHING = 0
    SWAP = 1
    UNREADABLE = 2


class Seen(NamedTuple):
    """How the agent saw the inode on the board: hints for the next capture, not restored."""

    inode: int
    ctime_ns: int
    generation: int = 0


NEVER_SEEN = Seen(0, 0, 0)
LOCKED_NS = -1
"""As ctime: this folder is encrypted and was locked, so what is in it is not known. No file
system of today has anything of that time."""


class Xflags(NamedTuple):
    """Flags of an xfs that only struct fsxattr has, and the sizes that belong to some of them.

    Attributes:
        xflags: FS_XFLAG_*, of KEPT_XFLAGS.
        extent_size: bytes.
        cow_extent_size: bytes.
    """

    xflags: int
    extent_size: int
    cow_extent_size: int

    def __str__(self) -> str:
        return f"{self.xflags:#x}, extents of {self.extent_size} and {self.cow_extent_size} bytes"


NO_XFLAGS = Xflags(0, 0, 0)


NO_XATTRS: Mapping[str, bytes] = {}
"""Of most entries, and one for all of them."""


class Entry(NamedTuple):
    """One name in a file system.

    Attributes:
        directory: path of the directory it is in, bytes, no leading slash; b"" is the root.
        name: its name; the file system's root itself is (b"", b"").
        type: what it is.
        mode: the twelve permission bits (07777); on FAT the mount's idea is not kept: 0.
        uid: owner, 32 bits.
        gid: group, 32 bits.
        size: bytes of a regular file, else 0.
        mtime_ns: modification time, nanoseconds since 1970 UTC, may be negative.
        link: names with the same non-zero number are one inode (hard links); 0 = alone.
        rdev: device number of CHARACTER and BLOCK entries, as os.makedev makes it.
        flags: inode flags that are restored (ext4: FS_*_FL; FAT: attribute byte).
        sparse: 1 when the file occupied less than its size, so holes are worth keeping.
        target: the target of a symlink.
        digest: SHA-256 (32 bytes) of a non-empty regular file whose content is kept, else b"".
        omitted: why a regular file with a size has no digest.
        xattrs: extended attributes in the kernel's form (ACLs as posix_acl_xattr).
        seen: hints for change detection.
        project: project id, 32 bits; of xfs, and of ext4 with that feature.
        xflags: further flags of files and directories on xfs.
    """

    directory: bytes
    name: bytes
    type: EntryType
    mode: int = 0
    uid: int = 0
    gid: int = 0
    size: int = 0
    mtime_ns: int = 0
    link: int = 0
    rdev: int = 0
    flags: int = 0
    sparse: int = 0
    target: bytes = b""
    digest: bytes = b""
    omitted: Omitted = Omitted.NOTHING
    xattrs: Mapping[str, bytes] = NO_XATTRS
    seen: Seen = NEVER_SEEN
    project: int = 0
    xflags: Xflags = NO_XFLAGS

    @property
    def path(self) -> bytes:
        """Path inside the file system; b"" for its root."""
        return join(self.directory, self.name)


_DIGEST = Entry._fields.index("digest")


def with_digest(entry: Entry, digest: bytes) -> Entry:
    """Return an entry with another digest; several times as fast as `_replace`."""
    return new(Entry, (*entry[:_DIGEST], digest, *entry[_DIGEST + 1 :]))


COMPARED = ("type", "mode", "uid", "gid", "size", "mtime_ns", "rdev", "flags", "target", "digest",
            "xattrs", "project", "xflags")  # fmt: skip
"""The fields that must survive a rebuild; hard-link groups are compared as groups."""


class Difference(NamedTuple):
    """One way in which an entry is not as it should be."""

    path: bytes
    field: str
    wanted: object
    found: object


def key(entry: Entry) -> tuple[bytes, bytes]:
    """The order of every stream of entries: by directory, then by name, bytewise."""
    return entry.directory, entry.name


def differences(
    wanted: Iterable[Entry], found: Iterable[Entry], *, fields: tuple[str, ...] = COMPARED
) -> Iterator[Difference]:
    """Compare two streams of entries, both in key order, in flat memory.

    Hard-link groups must consist of the same paths on both sides: every group is known by the
    path at which it is first met.
    """
    pick = itemgetter(*map(Entry._fields.index, fields))
    left, right = _Grouped(wanted), _Grouped(found)
    one, other = left.next(), right.next()
    while one is not None or other is not None:
        if one is not None and (other is None or left.place < right.place):
            yield Difference(one.path, "entry", "present", "missing")
            one = left.next()
        elif other is not None and (one is None or right.place < left.place):
            yield Difference(other.path, "entry", "absent", "present")
            other = right.next()
        elif one is not None and other is not None:
            if pick(one) != pick(other):
                for field in fields:
                    pair = getattr(one, field), getattr(other, field)
                    if pair[0] != pair[1]:
                        yield Difference(one.path, field, *pair)
            if left.group != right.group:
                yield Difference(one.path, "link", join(*left.group), join(*right.group))
            one, other = left.next(), right.next()


class _Grouped:
    """A stream with the positions of its last entry, and of the first one of that group."""

    def __init__(self, entries: Iterable[Entry]) -> None:
        self._entries = iter(entries)
        self._first: dict[int, tuple[bytes, bytes]] = {}
        self.place = self.group = b"", b""

    def next(self) -> Entry | None:
        entry = next(self._entries, None)
        if entry is not None:
            self.place = self.group = place = entry[:2]
            if entry.link:
                self.group = self._first.setdefault(entry.link, place)
        return entry
