"""libext2fs, the library behind e2fsprogs, called through ctypes.

It allocates blocks and inodes, computes checksums, and has every layout of ext2, ext3 and ext4;
so no file system is mounted and no root is needed. Function names and types are those of
ext2fs/ext2fs.h, unchanged since e2fsprogs 1.43. Beside system/libc.py, this is the only module
that uses ctypes: another library, with structures, handles and an error table of its own.
"""

from __future__ import annotations

import ctypes
import errno
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple, Protocol, cast

from holdstill.errors import PreflightError, TargetFailedError
from holdstill.filesystems.ext4 import scratch_image

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NAME, ERRORS_NAME = "libext2fs.so.2", "libcom_err.so.2"
FLAG_RW, FLAG_64BITS = 0x1, 0x20000
EXTENT_INSERT_AFTER, EXTENT_UNWRITTEN = 0x1, 0x2
ALLOCATION_MAX = 32768
"""Blocks that are requested at once: as many as one extent can hold."""
BLOCK_ALLOC_FAIL, INODE_ALLOC_FAIL = 2133571400, 2133571401
"""EXT2_ET_BLOCK_ALLOC_FAIL and EXT2_ET_INODE_ALLOC_FAIL of ext2fs/ext2_err.h."""
TAKE_A_LARGER_ONE = "take a larger card, or for an image a larger --size"

_P, _INT, _U32, _U64 = ctypes.c_void_p, ctypes.c_int, ctypes.c_uint32, ctypes.c_uint64
_TEXT, _SIZE, _REF = ctypes.c_char_p, ctypes.c_size_t, ctypes.c_void_p

_ARGUMENTS = {
    "ext2fs_open2": (_TEXT, _TEXT, _INT, _INT, ctypes.c_uint, _P, _REF),
    "ext2fs_read_bitmaps": (_P,),
    "ext2fs_close_free": (_REF,),
    "ext2fs_new_inode": (_P, _U32, _INT, _P, _REF),
    "ext2fs_new_range": (_P, _INT, _U64, _U64, _P, _REF, _REF),
    "ext2fs_read_inode_full": (_P, _U32, _TEXT, _INT),
    "ext2fs_write_inode_full": (_P, _U32, _TEXT, _INT),
    "ext2fs_write_dir_block4": (_P, _U64, _TEXT, _INT, _U32),
    "ext2fs_dirhash": (_INT, _TEXT, _INT, _TEXT, _REF, _REF),
    "ext2fs_punch": (_P, _U32, _P, _P, _U64, _U64),
    "ext2fs_xattrs_open": (_P, _U32, _REF),
    "ext2fs_xattrs_read": (_P,),
    "ext2fs_xattr_set": (_P, _TEXT, _TEXT, _SIZE),
    "ext2fs_xattrs_close": (_REF,),
    "ext2fs_extent_open2": (_P, _U32, _P, _REF),
    "ext2fs_extent_insert": (_P, _INT, _REF),
    "ext2fs_extent_fix_parents": (_P,),
    "ext2fs_find_first_set_block_bitmap2": (_P, _U64, _U64, _REF),
    "ext2fs_find_first_zero_block_bitmap2": (_P, _U64, _U64, _REF),
}
"""Functions that return an error code."""

_PLAIN_ARGUMENTS = {
    "ext2fs_free": (_P,),
    "ext2fs_extent_free": (_P,),
    "ext2fs_inode_alloc_stats2": (_P, _U32, _INT, _INT),
    "ext2fs_block_alloc_stats_range": (_P, _U64, _U32, _INT),
    "initialize_ext2_error_table": (),
}
"""Functions that return nothing."""


class _Function(Protocol):
    def __call__(self, *values: object) -> int: ...


class _Extent(ctypes.Structure):
    _fields_ = [  # type: ignore[mutable-override]  # as ctypes wants it
        ("physical", _U64),
        ("logical", _U64),
        ("length", _U32),
        ("flags", _U32),
    ]


class _FileSystem(ctypes.Structure):
    """The beginning of struct struct_ext2_filsys, as far as its public fields are needed."""

    _fields_ = [  # type: ignore[mutable-override]  # as ctypes wants it
        ("magic", ctypes.c_long),
        ("io", _P),
        ("flags", _INT),
        ("device_name", _P),
        ("super", _P),
        ("blocksize", ctypes.c_uint),
        ("fragsize", _INT),
        ("group_count", _U32),
        ("desc_blocks", ctypes.c_ulong),
        ("group_desc", _P),
        ("inode_blocks_per_group", ctypes.c_uint),
        ("inode_map", _P),
        ("block_map", _P),
    ]


class LibraryError(Exception):
    """A function of the library failed.

    Attributes:
        code: its error number, of com_err or errno.
    """

    def __init__(self, function: str, code: int, words: str) -> None:
        super().__init__(f"{function}: {words}")
        self.code = code


class BlockRun(NamedTuple):
    """Neighbouring blocks of the file system."""

    first: int
    length: int


class Extent(NamedTuple):
    """Neighbouring blocks of a file that are neighbours in the file system too."""

    logical: int
    physical: int
    length: int
    is_written: bool = True


class LibExt2fs:
    """The loaded library. Its functions raise LibraryError instead of returning an error."""

    def __init__(self) -> None:
        try:
            self._dll, self._errors = ctypes.CDLL(NAME), ctypes.CDLL(ERRORS_NAME)
        except OSError as error:
            raise PreflightError(
                f"cannot load {NAME}: {error}", hint="install e2fsprogs and its libraries"
            ) from error
        self._errors.error_message.restype = _TEXT
        self._errors.error_message.argtypes = (ctypes.c_long,)
        self._plain = {name: self._bound(name, kinds) for name, kinds in _PLAIN_ARGUMENTS.items()}
        self._checked = {name: self._bound(name, kinds) for name, kinds in _ARGUMENTS.items()}
        self._dll.ext2fs_inode_table_loc.restype = _U64
        self._dll.ext2fs_inode_table_loc.argtypes = (_P, _U32)
        self._dll.ext2fs_free_blocks_count.restype = _U64
        self._dll.ext2fs_free_blocks_count.argtypes = (_P,)
        self.do("initialize_ext2_error_table")

    def _bound(self, name: str, kinds: tuple[object, ...]) -> _Function:
        function = getattr(self._dll, name)
        function.argtypes = kinds
        function.restype = None if name in _PLAIN_ARGUMENTS else ctypes.c_long
        return cast("_Function", function)

    def do(self, name: str, *values: object) -> None:
        """Call a function that cannot fail."""
        self._plain[name](*values)

    def call(self, name: str, *values: object) -> None:
        """Call a function.

        Raises:
            LibraryError: it failed.
        """
        code = self._checked[name](*values)
        if code:
            words = cast("bytes", self._errors.error_message(code))
            raise LibraryError(name, code, words.decode(errors="backslashreplace"))

    def io_manager(self) -> ctypes.c_void_p:
        """Return the manager that reads and writes files and devices."""
        return ctypes.c_void_p.in_dll(self._dll, "unix_io_manager")

    def free_blocks(self, superblock: int) -> int:
        """Return the number of free blocks."""
        return int(self._dll.ext2fs_free_blocks_count(superblock))

    def inode_table(self, system: ctypes.c_void_p, group: int) -> int:
        """Return the first block of a group's inode table."""
        return int(self._dll.ext2fs_inode_table_loc(system, group))


class Ext2FileSystem:
    """An open file system; everything in it is by block and inode number."""

    def __init__(self, library: LibExt2fs, system: ctypes.c_void_p) -> None:
        self._library = library
        self._call = library.call
        self._system = system
        self._first, self._length, self._inode = _U64(), _U64(), _U32()
        self._hash, self._minor = _U32(), _U32()

    def new_inode(self, near: int) -> int:
        """Return the number of the first free inode in the group of another, or after it."""
        inode = self._inode
        self._call("ext2fs_new_inode", self._system, near, 0, None, ctypes.byref(inode))
        return inode.value

    def take_inode(self, inode: int, *, directories: int) -> None:
        """Mark an inode as used; directories is how many directories that makes more: 0 or 1."""
        self._library.do("ext2fs_inode_alloc_stats2", self._system, inode, 1, directories)

    def release_inode(self, inode: int, *, directories: int) -> None:
        """Mark an inode as free."""
        self._library.do("ext2fs_inode_alloc_stats2", self._system, inode, -1, directories)

    def allocate(self, goal: int, count: int) -> BlockRun:
        """Take at most count neighbouring free blocks, at goal or behind it."""
        first, length = self._first, self._length
        self._call(
            "ext2fs_new_range", self._system, 0, goal, min(count, ALLOCATION_MAX), None,
            ctypes.byref(first), ctypes.byref(length),
        )  # fmt: skip
        run = BlockRun(first.value, min(length.value, count, ALLOCATION_MAX))
        self._library.do("ext2fs_block_alloc_stats_range", self._system, run.first, run.length, 1)
        return run

    def release(self, run: BlockRun) -> None:
        """Give blocks back."""
        self._library.do("ext2fs_block_alloc_stats_range", self._system, run.first, run.length, -1)

    def release_blocks_of(self, inode: int) -> None:
        """Free all blocks of an inode."""
        self._call("ext2fs_punch", self._system, inode, None, None, 0, 2**64 - 1)

    def read_inode(self, inode: int, size: int) -> bytearray:
        """Return the bytes of an inode."""
        buffer = ctypes.create_string_buffer(size)
        self._call("ext2fs_read_inode_full", self._system, inode, buffer, size)
        return bytearray(buffer.raw)

    def write_inode(self, inode: int, content: bytes) -> None:
        """Write the bytes of an inode; the library adds the checksum."""
        self._call("ext2fs_write_inode_full", self._system, inode, content, len(content))

    def write_directory_block(self, inode: int, physical: int, block: bytes) -> None:
        """Write one block of a directory; the library adds the checksum."""
        # The library computes the checksum in the buffer: it must not be a shared constant.
        buffer = ctypes.create_string_buffer(block, len(block))
        self._call("ext2fs_write_dir_block4", self._system, physical, buffer, 0, inode)

    def insert_extents(self, inode: int, extents: list[Extent]) -> None:
        """Give an inode that has none its extents, in order; nodes are allocated as needed."""
        handle = _P()
        self._call("ext2fs_extent_open2", self._system, inode, None, ctypes.byref(handle))
        try:
            for extent in extents:
                flags = 0 if extent.is_written else EXTENT_UNWRITTEN
                item = _Extent(extent.physical, extent.logical, extent.length, flags)
                self._call("ext2fs_extent_insert", handle, EXTENT_INSERT_AFTER, ctypes.byref(item))
            self._call("ext2fs_extent_fix_parents", handle)
        finally:
            self._library.do("ext2fs_extent_free", handle)

    def set_xattrs(self, inode: int, pairs: list[tuple[str, bytes]]) -> None:
        """Set extended attributes, in kernel form, in this order."""
        handle = _P()
        self._call("ext2fs_xattrs_open", self._system, inode, ctypes.byref(handle))
        try:
            self._call("ext2fs_xattrs_read", handle)
            for name, value in pairs:
                self._call("ext2fs_xattr_set", handle, os.fsencode(name), value, len(value))
        finally:
            self._call("ext2fs_xattrs_close", ctypes.byref(handle))

    def hash_name(self, version: int, name: bytes, seed: bytes) -> tuple[int, int]:
        """Return the hash of a name in an indexed directory, and its tie-breaker."""
        self._call(
            "ext2fs_dirhash", version, name, len(name), seed,
            ctypes.byref(self._hash), ctypes.byref(self._minor),
        )  # fmt: skip
        return self._hash.value, self._minor.value

    @property
    def free_blocks(self) -> int:
        """The number of free blocks."""
        return self._library.free_blocks(self._fields().super)

    @property
    def groups(self) -> int:
        """The number of block groups."""
        return int(self._fields().group_count)

    def inode_table(self, group: int) -> BlockRun:
        """Return the blocks of a group's inode table."""
        first = self._library.inode_table(self._system, group)
        return BlockRun(first, int(self._fields().inode_blocks_per_group))

    def used_blocks(self, first: int, end: int) -> Iterator[BlockRun]:
        """Yield the runs of used blocks of a file system whose blocks are first to end."""
        bitmap, start, stop = self._fields().block_map, _U64(), _U64()
        position = first
        find = "ext2fs_find_first_{}_block_bitmap2"
        while position < end:
            if not self._found(find.format("set"), bitmap, position, end - 1, start):
                return
            if not self._found(find.format("zero"), bitmap, start.value, end - 1, stop):
                stop.value = end
            yield BlockRun(start.value, stop.value - start.value)
            position = stop.value

    def _found(
        self, function: str, bitmap: object, first: int, last: int, answer: ctypes.c_uint64
    ) -> bool:
        try:
            self._call(function, bitmap, first, last, ctypes.byref(answer))
        except LibraryError as error:
            if error.code != errno.ENOENT:
                raise
            return False
        return True

    def _fields(self) -> _FileSystem:
        return ctypes.cast(self._system, ctypes.POINTER(_FileSystem)).contents


def used_up(what: str) -> TargetFailedError:
    """Return the error for a file system without free blocks or inodes."""
    return TargetFailedError(f"the ext4 has no free {what} left", hint=TAKE_A_LARGER_ONE)


@contextmanager
def opened(path: Path) -> Iterator[Ext2FileSystem]:
    """Hold the file system in a scratch file open for changing it.

    Changes reach the file when the block succeeds. When it fails they may or may not.

    Raises:
        TargetFailedError: there is no file system that the library can change, or the library
            failed in the block, as when there is no room left.
    """
    library, system = LibExt2fs(), _P()
    try:
        library.call(
            "ext2fs_open2", os.fsencode(path), None, FLAG_RW | FLAG_64BITS, 0, 0,
            library.io_manager(), ctypes.byref(system),
        )  # fmt: skip
    except LibraryError as error:
        raise scratch_image.failed("open", error) from error
    try:
        library.call("ext2fs_read_bitmaps", system)
        yield Ext2FileSystem(library, system)
    except LibraryError as error:
        library.do("ext2fs_free", system)
        if error.code == BLOCK_ALLOC_FAIL:
            raise used_up("blocks") from error
        raise scratch_image.failed("fill", error) from error
    except BaseException:
        library.do("ext2fs_free", system)
        raise
    try:
        library.call("ext2fs_close_free", ctypes.byref(system))
    except LibraryError as error:
        raise scratch_image.failed("fill", error) from error
