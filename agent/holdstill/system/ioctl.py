"""The ioctl(2) requests that Python has no name for.

Their numbers are those of linux/fs.h, linux/msdos_fs.h, linux/btrfs.h and xfs_fs.h on every
architecture with the generic ioctl encoding (x86, Arm, RISC-V). A number holds the size of its
argument, so those declared with long or size_t differ between 32 and 64 bits; a 32-bit program
must send its own, also to a 64-bit kernel.
"""

from __future__ import annotations

import errno
import fcntl
import struct
from typing import TYPE_CHECKING, NamedTuple

from holdstill.system import libc

if TYPE_CHECKING:
    from collections.abc import Iterator


class WordSizedRequests(NamedTuple):
    """The requests whose numbers hold the size of a long or size_t, which Linux makes equal."""

    get_flags: int
    set_flags: int
    get_version: int
    device_size: int


def word_sized_requests(word: int) -> WordSizedRequests:
    """Return their numbers for a long of that many bytes (asm-generic/ioctl.h: from bit 16)."""
    size = word << 16
    return WordSizedRequests(
        get_flags=0x80006601 | size,
        set_flags=0x40006602 | size,
        get_version=0x80007601 | size,
        device_size=0x80001272 | size,
    )


FIFREEZE = 0xC0045877
FITHAW = 0xC0045878
BLKFLSBUF = 0x1261
BLKDISCARD = 0x1277
FS_IOC_GETFLAGS, FS_IOC_SETFLAGS, FS_IOC_GETVERSION, BLKGETSIZE64 = word_sized_requests(
    struct.calcsize("l")
)
FS_IOC_FIEMAP = 0xC020660B
FS_IOC_FSGETXATTR, FS_IOC_FSSETXATTR = 0x801C581F, 0x401C5820
FS_IOC_GET_ENCRYPTION_POLICY_EX, FS_IOC_GET_ENCRYPTION_KEY_STATUS = 0xC0096616, 0xC080661A
XFS_IOC_BULKSTAT = 0x8040587F
BTRFS_IOC_TREE_SEARCH_V2 = 0xC0709411
LOOP_GET_STATUS64, LOOP_CONFIGURE, LOOP_CTL_GET_FREE = 0x4C05, 0x4C0A, 0x4C82
BTRFS_IOC_FORGET_DEV = 0x50009405
BTRFS_IOC_DEV_INFO, BTRFS_IOC_FS_INFO = 0xD000941E, 0x8400941F
BTRFS_IOC_INO_LOOKUP = 0xD0009412
BTRFS_IOC_SUBVOL_CREATE = 0x5000940E
BTRFS_IOC_DEFAULT_SUBVOL = 0x40089413
BTRFS_IOC_SUBVOL_SETFLAGS = 0x4008941A
FAT_IOCTL_GET_ATTRIBUTES = 0x80047210

NO_FLAGS_ERRORS = frozenset({errno.ENOTTY, errno.EOPNOTSUPP, errno.EINVAL, errno.ENOSYS})
"""Errors of file systems that have no inode flags."""


def freeze(mount: int) -> None:
    """Freeze the file system of an open directory; OSError EBUSY if it is frozen already."""
    fcntl.ioctl(mount, FIFREEZE, 0)


def thaw(mount: int) -> None:
    """Thaw the file system of an open directory; OSError EINVAL if it is not frozen."""
    fcntl.ioctl(mount, FITHAW, 0)


def sync_file_system(handle: int) -> None:
    """Write out everything of the file system that handle is on (syncfs(2)).

    No ioctl, but the third of the calls that freezing takes.
    """
    libc.syncfs(handle)


def device_size(device: int) -> int:
    """Return the bytes of an open block device."""
    (size,) = struct.unpack("Q", fcntl.ioctl(device, BLKGETSIZE64, bytes(8)))
    return int(size)


def drop_device_cache(device: int) -> None:
    """Write out and drop the page cache of an open block device."""
    fcntl.ioctl(device, BLKFLSBUF, 0)


def discard(device: int, start: int, length: int) -> None:
    """Discard a range of bytes of a block device; OSError if it cannot."""
    fcntl.ioctl(device, BLKDISCARD, struct.pack("QQ", start, length))


def inode_flags(handle: int) -> int:
    """Return FS_*_FL of an open file; 0 where the file system has none."""
    try:
        (flags,) = struct.unpack_from("I", fcntl.ioctl(handle, FS_IOC_GETFLAGS, bytes(8)))
    except OSError as error:
        if error.errno in NO_FLAGS_ERRORS:
            return 0
        raise
    return int(flags)


def encryption_policy(handle: int, asked: bytes) -> bytes:
    """Return struct fscrypt_get_policy_ex_arg of an open file; OSError ENODATA without one."""
    return fcntl.ioctl(handle, FS_IOC_GET_ENCRYPTION_POLICY_EX, asked)


def encryption_key_status(handle: int, asked: bytes) -> bytes:
    """Return struct fscrypt_get_key_status_arg of a key of an open file's file system."""
    return fcntl.ioctl(handle, FS_IOC_GET_ENCRYPTION_KEY_STATUS, asked)


def set_inode_flags(handle: int, flags: int) -> None:
    """Set FS_*_FL of an open file.

    The kernel reads 32 bits, whatever the request's number says (fs/ioctl.c, ioctl_setflags).
    """
    fcntl.ioctl(handle, FS_IOC_SETFLAGS, struct.pack("I4x", flags))


def inode_generation(handle: int) -> int:
    """Return the generation of an open file's inode; 0 where the file system has none."""
    try:
        (value,) = struct.unpack_from("I", fcntl.ioctl(handle, FS_IOC_GETVERSION, bytes(8)))
    except OSError as error:
        if error.errno in NO_FLAGS_ERRORS:
            return 0
        raise
    return int(value)


_FSXATTR = struct.Struct("=IIIII8x")
_XFS_BULK_REQUEST = struct.Struct("=QIIII40x")
_XFS_BULKSTAT = struct.Struct("=Q68xI112x")
"""struct xfs_bulk_ireq, and struct xfs_bulkstat with bs_ino and bs_projectid, of xfs_fs.h."""


class FsXattr(NamedTuple):
    """What people set of struct fsxattr (linux/fs.h).

    Attributes:
        xflags: FS_XFLAG_*.
        extent_size: bytes.
        project: id of its project.
        cow_extent_size: bytes.
    """

    xflags: int = 0
    extent_size: int = 0
    project: int = 0
    cow_extent_size: int = 0


def fsxattr(handle: int) -> FsXattr:
    """Return struct fsxattr of an open file; OSError of NO_FLAGS_ERRORS where there is none."""
    raw = fcntl.ioctl(handle, FS_IOC_FSGETXATTR, bytes(_FSXATTR.size))
    xflags, extent_size, _, project, cow_extent_size = _FSXATTR.unpack(raw)
    return FsXattr(xflags, extent_size, project, cow_extent_size)


def set_fsxattr(handle: int, wanted: FsXattr) -> None:
    """Set struct fsxattr of an open file.

    Raises:
        OSError: EOPNOTSUPP, ENOTTY: the file system has none; EINVAL: not this on this inode, such
            as another extent size for a file that has data; EPERM: it is immutable.
    """
    xflags, extent_size, project, cow_extent_size = wanted
    raw = _FSXATTR.pack(xflags, extent_size, 0, project, cow_extent_size)
    fcntl.ioctl(handle, FS_IOC_FSSETXATTR, raw)


def xfs_project(handle: int, inode: int) -> int | None:
    """Return the project id of an inode of the xfs that handle is on; None: no such inode.

    Raises:
        OSError: ENOTTY: not an xfs, or before Linux 5.3; EPERM: we are not root.
    """
    room = bytearray(_XFS_BULK_REQUEST.pack(inode, 0, 1, 0, 0)) + bytes(_XFS_BULKSTAT.size)
    fcntl.ioctl(handle, XFS_IOC_BULKSTAT, room)
    # The next one that there is, if this one is not (ioctl_xfs_bulkstat(2)).
    found, project = _XFS_BULKSTAT.unpack_from(room, _XFS_BULK_REQUEST.size)
    return int(project) if found == inode else None


def fat_attributes(handle: int) -> int:
    """Return the attribute byte of an open file or directory on a mounted FAT."""
    (value,) = struct.unpack("I", fcntl.ioctl(handle, FAT_IOCTL_GET_ATTRIBUTES, bytes(4)))
    return int(value) & 0xFF


def free_loop_number(control: int) -> int:
    """Return the number of a loop device that is free; control is /dev/loop-control."""
    return fcntl.ioctl(control, LOOP_CTL_GET_FREE)


def loop_file(device: int) -> tuple[int, int]:
    """Return st_dev and st_ino of the file that a loop device, open, has its bytes in.

    Raises:
        OSError: ENXIO: it has none.
    """
    # struct loop_info64 of linux/loop.h begins with lo_device and lo_inode; it has 232 bytes.
    raw = fcntl.ioctl(device, LOOP_GET_STATUS64, bytes(232))
    file_system, inode = struct.unpack_from("=QQ", raw)
    return file_system, inode


_LO_FLAGS_READ_ONLY, _LO_FLAGS_AUTOCLEAR = 1, 4
_LOOP_CONFIG = struct.Struct("=II QQQQQ IIII 64s 64s 32s QQ 64x")
"""struct loop_config with its struct loop_info64, of linux/loop.h."""


def configure_read_only_loop(device: int, source: int, *, offset: int, size: int) -> None:
    """Give a free loop device its contents, read-only, until nothing has it open any more.

    Args:
        device: the loop device, open.
        source: file or device, open for reading.
        offset: byte of it at which the device begins.
        size: bytes of the device.

    Raises:
        OSError: EBUSY: it is not free any more; EINVAL: the kernel is older than 5.8.
    """
    flags = _LO_FLAGS_READ_ONLY | _LO_FLAGS_AUTOCLEAR
    info = _LOOP_CONFIG.pack(source, 0, 0, 0, 0, offset, size, 0, 0, 0, flags, b"", b"", b"", 0, 0)
    fcntl.ioctl(device, LOOP_CONFIGURE, info)


class MappedExtent(NamedTuple):
    """One struct fiemap_extent of linux/fiemap.h: bytes of the file, bytes of the device."""

    logical: int
    physical: int
    length: int
    flags: int


FIEMAP_EXTENT_LAST = 0x1
FIEMAP_EXTENT_UNWRITTEN = 0x800
FIEMAP_EXTENT_SHARED = 0x2000
FIEMAP_PLACED = FIEMAP_EXTENT_LAST | FIEMAP_EXTENT_UNWRITTEN | 0x1000 | FIEMAP_EXTENT_SHARED
"""FIEMAP_EXTENT_* of linux/fiemap.h that leave the place as it is (0x1000: merged). All others
make it unsure: unknown, delalloc, encoded, encrypted, not aligned, inline, tail, and whatever is
to come."""
_FIEMAP_HEAD = struct.Struct("=QQIIII")
_FIEMAP_EXTENT = struct.Struct("=QQQQQIIII")
_FIEMAP_MOST, _FIEMAP_FEW = 1024, 64
"""Extents in one answer: of a whole file, and of no more than _FIEMAP_SMALL bytes of it."""
_FIEMAP_SMALL = 1 << 20
WHOLE = (1 << 63) - 1
"""A length that reaches past the end of any file."""


def fiemap(handle: int, start: int = 0, length: int = WHOLE) -> Iterator[MappedExtent]:
    """Yield the extents that touch a range of an open file, in order; they are not clipped to it.

    Nothing is flushed first: delayed allocation shows as such, in flags.

    Raises:
        OSError: EOPNOTSUPP: the file system cannot tell.
    """
    end = min(start + length, WHOLE)
    room = _FIEMAP_FEW if length <= _FIEMAP_SMALL else _FIEMAP_MOST
    buffer = bytearray(_FIEMAP_HEAD.size + room * _FIEMAP_EXTENT.size)
    while start < end:
        _FIEMAP_HEAD.pack_into(buffer, 0, start, end - start, 0, 0, room, 0)
        fcntl.ioctl(handle, FS_IOC_FIEMAP, buffer)
        count = _FIEMAP_HEAD.unpack_from(buffer)[3]
        last = count < room
        filled = memoryview(buffer)[_FIEMAP_HEAD.size :][: count * _FIEMAP_EXTENT.size]
        for logical, physical, size, _, _, flags, *_ in _FIEMAP_EXTENT.iter_unpack(filled):
            yield MappedExtent(logical, physical, size, flags)
            start = logical + size
            last = last or bool(flags & FIEMAP_EXTENT_LAST)
        filled.release()
        if last:
            return


BTRFS_EXTENT_DATA_KEY = 108
_BTRFS_KEY = struct.Struct("=QQQQQQQIII")
_BTRFS_ROOM_AT, _BTRFS_ITEMS_AT, _BTRFS_ROOM = 104, 112, 1 << 16
_BTRFS_COUNT_AT = 64
_BTRFS_HEADER = struct.Struct("=QQQII")
_BTRFS_PATH = struct.Struct("=Q4088s")
_BTRFS_DEVICE_PATH_AT = 3072
_U64 = (1 << 64) - 1


def btrfs_has_subvolumes(handle: int) -> bool:
    """Return whether the btrfs of an open directory has any subvolume but its top.

    Raises:
        OSError: ENOTTY: not a btrfs; EPERM: we are not root.
    """
    return next(btrfs_subvolumes(handle), None) is not None


def btrfs_forget(control: int, device: bytes) -> None:
    """Have the kernel forget a device that no mounted btrfs uses; control is /dev/btrfs-control.

    Raises:
        OSError: ENOENT: it does not know it; EBUSY: it is in use.
    """
    fcntl.ioctl(control, BTRFS_IOC_FORGET_DEV, bytearray(_BTRFS_PATH.pack(0, device)))


def btrfs_device_paths(handle: int) -> list[bytes]:
    """Return the device nodes, as the kernel knows them, of the btrfs of an open directory.

    struct btrfs_ioctl_fs_info_args begins with the highest number of a device; struct
    btrfs_ioctl_dev_info_args with the number, and ends with the path.
    """
    (last,) = struct.unpack_from("=Q", fcntl.ioctl(handle, BTRFS_IOC_FS_INFO, bytes(1024)))
    found = []
    for number in range(1, last + 1):
        about = bytearray(4096)
        struct.pack_into("=Q", about, 0, number)
        try:
            fcntl.ioctl(handle, BTRFS_IOC_DEV_INFO, about)
        except OSError as error:
            if error.errno != errno.ENODEV:  # one with this number was taken out
                raise
        else:
            found.append(bytes(about[_BTRFS_DEVICE_PATH_AT:]).partition(b"\0")[0])
    return found


def btrfs_extent_items(
    handle: int, inode: int, start: int = 0, end: int = _U64
) -> Iterator[tuple[int, bytes]]:
    """Yield offset and body of an inode's EXTENT_DATA items that begin at start to end, in order.

    linux/btrfs_tree.h has the bodies. The items are of the subvolume that handle is in.

    Raises:
        OSError: ENOTTY: not a btrfs; EPERM: we are not root.
    """
    kind = BTRFS_EXTENT_DATA_KEY
    while start <= end:
        items = _btrfs_items(handle, 0, (inode, inode), (start, end), (kind, kind))
        if not items:
            return
        for (_, _, offset, _, _), body in items:
            yield offset, body
            start = offset + 1


class BtrfsSubvolume(NamedTuple):
    """One subvolume: where its name is, whether it was made as a snapshot, and can be written.

    Attributes:
        parent: the subvolume that has its name; directory: the inode there that has it.
    """

    id: int
    parent: int
    directory: int
    name: bytes
    is_snapshot: bool
    is_read_only: bool


BTRFS_TOP = 5
"""BTRFS_FS_TREE_OBJECTID: the subvolume that every btrfs has, and that has no name."""
_BTRFS_ROOT_TREE, _BTRFS_ROOT_ITEM_KEY, _BTRFS_ROOT_BACKREF_KEY = 1, 132, 144
_BTRFS_FIRST, _BTRFS_LAST = 256, _U64 - 255
_BTRFS_ROOT_REF = struct.Struct("<QQH")
_BTRFS_FLAGS_AT, _BTRFS_READ_ONLY, _BTRFS_SUBVOL_READ_ONLY = 208, 1, 2
"""Where struct btrfs_root_item has flags; BTRFS_ROOT_SUBVOL_RDONLY; BTRFS_SUBVOL_RDONLY."""
_BTRFS_LAST_SNAPSHOT_AT = 200
"""Where it has the transaction of the newest snapshot of the subvolume."""
_BTRFS_ROOT_TREE_DIR, _BTRFS_DIR_ITEM_KEY = 6, 84
_BTRFS_DIR_ITEM = struct.Struct("<QBQQHHB")
"""struct btrfs_dir_item: key of what is named, transaction, lengths of data and name, type."""
_BTRFS_NAME = struct.Struct("=q4088s")
_BTRFS_PARENT_UUID = slice(263, 279)
"""Where struct btrfs_root_item has parent_uuid, which only snapshots have."""


def btrfs_subvolumes(handle: int) -> Iterator[BtrfsSubvolume]:
    """Yield all subvolumes of the btrfs that handle is on but the top (linux/btrfs_tree.h).

    Raises:
        OSError: ENOTTY: not a btrfs; EPERM: we are not root.
    """
    snapshots, read_only = set[int](), set[int]()
    for id_, kind, offset, body in _btrfs_roots(handle):
        if kind == _BTRFS_ROOT_ITEM_KEY:
            snapshots.update({id_} if any(body[_BTRFS_PARENT_UUID]) else ())
            (flags,) = struct.unpack_from("<Q", body, _BTRFS_FLAGS_AT)
            read_only.update({id_} if flags & _BTRFS_READ_ONLY else ())
        elif kind == _BTRFS_ROOT_BACKREF_KEY:
            directory, _, length = _BTRFS_ROOT_REF.unpack_from(body)
            name = body[_BTRFS_ROOT_REF.size :][:length]
            yield BtrfsSubvolume(id_, offset, directory, name, id_ in snapshots, id_ in read_only)


def btrfs_default(handle: int) -> int:
    """Return the id of the subvolume that is mounted where nobody says which; BTRFS_TOP = the top.

    Raises:
        OSError: ENOTTY: not a btrfs; EPERM: we are not root.
    """
    place = (_BTRFS_ROOT_TREE_DIR, _BTRFS_ROOT_TREE_DIR)
    kinds = (_BTRFS_DIR_ITEM_KEY, _BTRFS_DIR_ITEM_KEY)
    for _, body in _btrfs_items(handle, _BTRFS_ROOT_TREE, place, (0, _U64), kinds):
        id_, _, _, _, _, length, _ = _BTRFS_DIR_ITEM.unpack_from(body)
        if body[_BTRFS_DIR_ITEM.size :][:length] == b"default":
            return int(id_)
    return BTRFS_TOP


def btrfs_make_subvolume(directory: int, name: bytes) -> None:
    """Make an empty subvolume in an open directory (struct btrfs_ioctl_vol_args)."""
    fcntl.ioctl(directory, BTRFS_IOC_SUBVOL_CREATE, bytearray(_BTRFS_NAME.pack(0, name)))


def btrfs_make_read_only(handle: int) -> None:
    """Have nothing written any more in the subvolume whose top is open."""
    fcntl.ioctl(handle, BTRFS_IOC_SUBVOL_SETFLAGS, struct.pack("=Q", _BTRFS_SUBVOL_READ_ONLY))


def btrfs_make_default(handle: int, subvolume: int) -> None:
    """Have a subvolume, named by its id, mounted where nobody says which."""
    fcntl.ioctl(handle, BTRFS_IOC_DEFAULT_SUBVOL, struct.pack("=Q", subvolume))


def btrfs_id(handle: int) -> int:
    """Return the id of the subvolume that an open file is in (BTRFS_IOC_INO_LOOKUP)."""
    buffer = bytearray(4096)
    struct.pack_into("=QQ", buffer, 0, 0, _BTRFS_FIRST)
    fcntl.ioctl(handle, BTRFS_IOC_INO_LOOKUP, buffer)
    return int(struct.unpack_from("=Q", buffer)[0])


def btrfs_last_snapshot(handle: int, subvolume: int) -> int:
    """Return the transaction in which a subvolume had its newest snapshot, 0 if it had none.

    Raises:
        OSError: ENOTTY: not a btrfs; EPERM: we are not root; ENOENT: there is no such subvolume.
    """
    key = (subvolume, subvolume), (0, _U64), (_BTRFS_ROOT_ITEM_KEY, _BTRFS_ROOT_ITEM_KEY)
    for _, body in _btrfs_items(handle, _BTRFS_ROOT_TREE, *key):
        return int(struct.unpack_from("<Q", body, _BTRFS_LAST_SNAPSHOT_AT)[0])
    raise OSError(errno.ENOENT, f"there is no subvolume {subvolume}")


def _btrfs_roots(handle: int) -> Iterator[tuple[int, int, int, bytes]]:
    """Yield object, kind, offset and body of what is said of subvolumes, in the order of keys."""
    last = _BTRFS_ROOT_BACKREF_KEY
    key = (_BTRFS_FIRST, _BTRFS_ROOT_ITEM_KEY, 0)
    while True:
        items = _btrfs_items(
            handle, _BTRFS_ROOT_TREE, (key[0], _BTRFS_LAST), (key[2], _U64), (key[1], last)
        )
        if not items:
            return
        for (_, object_, offset, kind, _), body in items:
            yield object_, kind, offset, body
            key = (object_, kind, offset + 1) if offset < _U64 else (object_, kind + 1, 0)


def btrfs_directory(handle: int, subvolume: int, inode: int) -> bytes:
    """Return the path of a directory within its subvolume, with a slash at its end; "" = its top.

    Raises:
        OSError: ENOENT: it is gone; EPERM: we are not root.
    """
    buffer = bytearray(4096)
    struct.pack_into("=QQ", buffer, 0, subvolume, inode)
    fcntl.ioctl(handle, BTRFS_IOC_INO_LOOKUP, buffer)
    return bytes(buffer[16:]).partition(b"\0")[0]


def _btrfs_items(
    handle: int,
    tree: int,
    objects: tuple[int, int],
    offsets: tuple[int, int],
    kinds: tuple[int, int],
) -> list[tuple[tuple[int, int, int, int, int], bytes]]:
    """Return the first items of a tree from one key to another: as many as one call gives.

    Each with its header: transaction, object, offset, type, size. Tree 0 is the subvolume that
    handle is in.
    """
    buffer = bytearray(_BTRFS_ITEMS_AT + _BTRFS_ROOM)
    _BTRFS_KEY.pack_into(buffer, 0, tree, *objects, *offsets, 0, _U64, *kinds, 1 << 20)
    struct.pack_into("=Q", buffer, _BTRFS_ROOM_AT, _BTRFS_ROOM)
    fcntl.ioctl(handle, BTRFS_IOC_TREE_SEARCH_V2, buffer)
    (count,) = struct.unpack_from("=I", buffer, _BTRFS_COUNT_AT)
    found, at = [], _BTRFS_ITEMS_AT
    for _ in range(count):
        header = _BTRFS_HEADER.unpack_from(buffer, at)
        at += _BTRFS_HEADER.size
        found.append((header, bytes(buffer[at : at + header[4]])))
        at += header[4]
    return found
