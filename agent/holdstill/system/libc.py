"""C library and system calls that Python has no function for: the only user of ctypes on libc.

Each function makes one call of the manual's section 2 and raises its errno as OSError. System
calls from number 424 on have the same number on every architecture; older ones are listed.
"""

from __future__ import annotations

import ctypes
import errno
import os
import struct
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

_LIBC = ctypes.CDLL(None, use_errno=True)
AT_FDCWD = -100
AT_SYMLINK_NOFOLLOW, AT_EMPTY_PATH = 0x100, 0x1000
"""Of linux/fcntl.h."""
_STATX_BASIC_STATS = 0x7FF
"""Of linux/stat.h."""
_UTIMENSAT_TIME64 = 412
"""The call's number for programs of 32 bits, on every architecture (scripts/syscall.tbl)."""


def _checked(result: int, *path: bytes | str) -> int:
    """Return a call's result; raise its errno, with the path it was about, if it is negative."""
    if result < 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number), *path)
    return result


def _syscall(number: int, *arguments: int | bytes | None) -> int:
    """Make a system call that the C library may have no wrapper for.

    syscall(2) is variadic and reads whole registers, so integers are passed as longs.
    """
    words = (ctypes.c_long(a) if isinstance(a, int) else a for a in arguments)
    return int(_LIBC.syscall(ctypes.c_long(number), *words))


_OPEN_TREE, _FSOPEN, _FSCONFIG, _FSMOUNT, _OPENAT2 = 428, 430, 431, 432, 437
_RENAME_NOREPLACE = 1
RESOLVE_NO_MAGICLINKS, RESOLVE_NO_SYMLINKS, RESOLVE_BENEATH = 0x02, 0x04, 0x08
"""Of linux/openat2.h."""
OPEN_TREE_CLONE = 1
_FSOPEN_CLOEXEC, _FSMOUNT_CLOEXEC = 1, 1
_FSCONFIG_SET_FLAG, _FSCONFIG_SET_STRING, _FSCONFIG_CMD_CREATE = 0, 1, 6
_MOUNT_ATTR_RDONLY, _MOUNT_ATTR_NOSUID, _MOUNT_ATTR_NODEV, _MOUNT_ATTR_NOEXEC = 1, 2, 4, 8
_MOUNT_ATTR_AS_DATA = (
    _MOUNT_ATTR_RDONLY | _MOUNT_ATTR_NOSUID | _MOUNT_ATTR_NODEV | _MOUNT_ATTR_NOEXEC
)
"""Of linux/mount.h."""
_KEEP_SIZE, _PUNCH_HOLE = 0x01, 0x02
"""Of linux/falloc.h."""
_MS_BIND, _MNT_DETACH, _UMOUNT_NOFOLLOW = 0x1000, 0x2, 0x8
"""Of sys/mount.h."""


def openat2(top: int, path: bytes, flags: int, *, mode: int, resolve: int) -> int:
    """Open a path relative to an open directory under RESOLVE_* rules; Linux 5.6.

    Without O_LARGEFILE, which the C library adds to open(2), a kernel of 32 bits refuses files
    from 2 GiB on (EOVERFLOW).
    """
    how = struct.pack("QQQ", flags | os.O_LARGEFILE, mode, resolve)
    return _checked(_syscall(_OPENAT2, top, path, how, len(how)), path)


def statx(directory: int, path: bytes, flags: int) -> bytes:
    """Return struct statx, the basic fields filled in, of a path relative to an open directory."""
    buffer = ctypes.create_string_buffer(256)
    result = _LIBC.statx(directory, path, flags, ctypes.c_uint(_STATX_BASIC_STATS), buffer)
    _checked(result, path)
    return buffer.raw


def utimensat_time64(directory: int, path: bytes, ns: int, flags: int) -> None:
    """Set access and modification time, of 64 bits, from a program of 32 bits; Linux 5.1."""
    second = struct.pack("=qq", *divmod(ns, 1_000_000_000))
    _checked(_syscall(_UTIMENSAT_TIME64, directory, path, second * 2, flags), path)


def open_tree(path: bytes, flags: int) -> int:
    """Open a mount, or a detached copy of one with OPEN_TREE_CLONE; Linux 5.2."""
    return _checked(_syscall(_OPEN_TREE, AT_FDCWD, path, flags), path)


def new_mount(kind: bytes) -> int:
    """Mount a file system without a device nowhere: only the returned descriptor leads to it.

    fsopen(2), fsconfig(2), fsmount(2); Linux 5.2.

    Raises:
        OSError: ENODEV: the kernel has no such kind; EPERM: we are not root; ENOSYS: too old.
    """
    return _mounted_nowhere(kind, (), 0)


def new_mount_of_device(kind: bytes, device: bytes, options: Sequence[bytes]) -> int:
    """Mount a device read-only nowhere: only the returned descriptor leads to it.

    Programs on it do not run, and its device nodes do not work.

    Args:
        kind: the kernel's name of the file system.
        device: its device node.
        options: of the file system, as mount(8) takes them.

    Raises:
        OSError: as mount(2); ENODEV: the kernel has no such kind; ENOSYS: older than 5.2.
    """
    return _mounted_nowhere(kind, (b"source=" + device, b"ro", *options), _MOUNT_ATTR_AS_DATA)


def second_mount_of_device(kind: bytes, device: bytes, options: Sequence[bytes]) -> int:
    """Mount a device that is mounted already once more, nowhere, as `new_mount_of_device` does.

    Nothing can be written by it. The kernel gives a file system to a further mount only if that
    asks for it as writable as it is, so that both are tried.

    Raises:
        OSError: as `new_mount_of_device`.
    """
    try:
        return new_mount_of_device(kind, device, options)
    except OSError as error:
        if error.errno != errno.EBUSY:
            raise
    return _mounted_nowhere(kind, (b"source=" + device, *options), _MOUNT_ATTR_AS_DATA)


def _mounted_nowhere(kind: bytes, options: Sequence[bytes], attributes: int) -> int:
    context = _checked(_syscall(_FSOPEN, kind, _FSOPEN_CLOEXEC), kind)
    try:
        for option in options:
            key, equals, value = option.partition(b"=")
            how = _FSCONFIG_SET_STRING if equals else _FSCONFIG_SET_FLAG
            value_or_none = value if equals else None
            _checked(_syscall(_FSCONFIG, context, how, key, value_or_none, 0), kind)
        _checked(_syscall(_FSCONFIG, context, _FSCONFIG_CMD_CREATE, None, None, 0), kind)
        return _checked(_syscall(_FSMOUNT, context, _FSMOUNT_CLOEXEC, attributes), kind)
    finally:
        os.close(context)


def bind_mount(source: bytes, target: bytes) -> None:
    """Mount a directory a second time, without the mounts inside it (mount(2), MS_BIND)."""
    _checked(_LIBC.mount(source, target, None, ctypes.c_ulong(_MS_BIND), None), source)


def detach_mount(target: bytes) -> None:
    """Take a mount out of the tree now, and unmount it when it is no longer used (umount2(2))."""
    _checked(_LIBC.umount2(target, _MNT_DETACH | _UMOUNT_NOFOLLOW), target)


NO_SUCH_RENAME = frozenset({errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP})
"""Errors of `rename_noreplace` on file systems and kernels that cannot."""


def rename_noreplace(source: Path, target: Path) -> None:
    """Rename to a name that must not exist (renameat2(2), RENAME_NOREPLACE).

    Raises:
        OSError: EEXIST if it does; NO_SUCH_RENAME on file systems and kernels without this flag.
    """
    old, new = os.fsencode(source), os.fsencode(target)
    result = _LIBC.renameat2(AT_FDCWD, old, AT_FDCWD, new, _RENAME_NOREPLACE)
    _checked(result, str(target))


TMPFS_MAGIC, TRACEFS_MAGIC = 0x01021994, 0x74726163
"""Of linux/magic.h: the types of a tmpfs and of tracefs."""


def punch_hole(handle: int, offset: int, length: int) -> None:
    """Give the blocks of a part of a file back; the part then reads as zeroes (fallocate(2)).

    Raises:
        OSError: EOPNOTSUPP: its file system has no such call.
    """
    how = ctypes.c_int(_KEEP_SIZE | _PUNCH_HOLE)
    at, size = ctypes.c_int64(offset), ctypes.c_int64(length)
    # musl has but one name, GNU two on 32 bits, where only this one takes 64.
    call = getattr(_LIBC, "fallocate64", None) or _LIBC.fallocate
    _checked(call(handle, how, at, size))


def syncfs(handle: int) -> None:
    """Write out everything of the file system that handle is on."""
    _checked(_LIBC.syncfs(handle))


def file_system_type(handle: int) -> int:
    """Return the magic number of the file system that handle is on (fstatfs(2))."""
    buffer = ctypes.create_string_buffer(256)  # struct statfs is half of that, type first
    _checked(_LIBC.fstatfs(handle, buffer))
    return int(ctypes.c_long.from_buffer(buffer).value) & 0xFFFFFFFF


_FAN_CLOEXEC, _FAN_NONBLOCK = 0x1, 0x2
_FAN_REPORT_FID, _FAN_REPORT_DIR_FID = 0x200, 0x400
_FAN_MARK_ADD, _FAN_MARK_FILESYSTEM = 0x1, 0x100
"""Of linux/fanotify.h; fanotify_init(2) and fanotify_mark(2) explain them."""


def fanotify_init() -> int:
    """Open a queue of events that name files by their handle.

    Raises:
        OSError: the kernel is older than 5.9, or built without it, or we are not root.
    """
    flags = _FAN_CLOEXEC | _FAN_NONBLOCK | _FAN_REPORT_FID | _FAN_REPORT_DIR_FID
    return _checked(_LIBC.fanotify_init(flags, os.O_RDONLY))


def fanotify_mark(queue: int, mask: int, directory: int) -> None:
    """Add events of a mask on the whole file system of an open directory to a queue.

    Raises:
        OSError: EXDEV on a btrfs subvolume, ENODEV or EOPNOTSUPP where files have no handles.
    """
    flags = ctypes.c_uint(_FAN_MARK_ADD | _FAN_MARK_FILESYSTEM)
    _checked(_LIBC.fanotify_mark(queue, flags, ctypes.c_uint64(mask), directory, None))


_IN_CLOEXEC, _IN_NONBLOCK = os.O_CLOEXEC, os.O_NONBLOCK
"""Of linux/inotify.h; inotify_init(2) and inotify_add_watch(2) explain them."""


def inotify_init() -> int:
    """Open a queue of events of watched inodes."""
    return _checked(_LIBC.inotify_init1(_IN_CLOEXEC | _IN_NONBLOCK))


def inotify_add_watch(queue: int, path: bytes, mask: int) -> int:
    """Watch an inode; return the number that its events carry.

    Raises:
        OSError: ENOSPC: this user may not watch more.
    """
    return _checked(_LIBC.inotify_add_watch(queue, path, ctypes.c_uint32(mask)), path)


_LANDLOCK_CREATE_RULESET, _LANDLOCK_ADD_RULE, _LANDLOCK_RESTRICT_SELF = 444, 445, 446
_LANDLOCK_CREATE_RULESET_VERSION, _LANDLOCK_RULE_PATH_BENEATH = 1, 1
_IOPRIO_WHO_PROCESS, _IOPRIO_CLASS_IDLE = 1, 3 << 13
_MCL_CURRENT, _MCL_FUTURE, _MCL_ONFAULT = 1, 2, 4
"""Of linux/mman.h."""
PR_SET_PDEATHSIG, PR_SET_NO_NEW_PRIVS = 1, 38
"""Of linux/prctl.h."""


def lock_memory() -> None:
    """Keep the pages of this process in memory once they are there (mlockall(2)).

    Without MCL_ONFAULT, a forked copy of a large process would get a private copy of every page.
    """
    _checked(_LIBC.mlockall(_MCL_CURRENT | _MCL_FUTURE | _MCL_ONFAULT))


def prctl(option: int, value: int) -> None:
    """Set an attribute of this process or thread; PR_SET_*."""
    unused = ctypes.c_ulong(0)  # some options are refused unless the rest is zero
    _checked(_LIBC.prctl(option, ctypes.c_ulong(value), unused, unused, unused))


class CallNumbers(NamedTuple):
    """The numbers of two system calls; ioprio_get(2) is next to ioprio_set(2) everywhere."""

    ioprio_set: int
    gettimeofday: int


_GENERIC, _X86_32, _ARM_32 = CallNumbers(30, 169), CallNumbers(289, 78), CallNumbers(314, 78)
_CALL_NUMBERS = {
    8: {"x86_64": CallNumbers(251, 96), "aarch64": _GENERIC, "riscv64": _GENERIC},
    4: {
        "x86_64": _X86_32, "i686": _X86_32,
        "aarch64": _ARM_32, "armv8l": _ARM_32, "armv7l": _ARM_32, "armv6l": _ARM_32,
    },
}  # fmt: skip
"""By bytes of the program's own long, and by machine: a 64-bit kernel runs programs of 32 bits,
which call by other numbers, and tells them its own machine (uname(2)) all the same."""


def call_numbers(machine: str, word: int) -> CallNumbers:
    """Return the numbers for programs with so many bytes in a long.

    Raises:
        OSError: ENOSYS: they are not known.
    """
    found = _CALL_NUMBERS[word].get(machine)
    if found is None:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    return found


def _own_call_numbers() -> CallNumbers:
    return call_numbers(os.uname().machine, ctypes.sizeof(ctypes.c_long))


def io_priority() -> int:
    """Return this thread's class and level of ioprio_get(2); errors as `set_io_priority`."""
    return _checked(_syscall(_own_call_numbers().ioprio_set + 1, _IOPRIO_WHO_PROCESS, 0))


def set_io_priority(priority: int) -> None:
    """Set how soon the disk serves this thread: class and level of ioprio_set(2).

    Raises:
        OSError: ENOSYS where the number of the call is not known, else as the call.
    """
    _checked(_syscall(_own_call_numbers().ioprio_set, _IOPRIO_WHO_PROCESS, 0, priority))


def make_io_idle() -> None:
    """Have this thread's input and output served only when the disk is otherwise idle.

    Raises:
        OSError: as `set_io_priority`.
    """
    set_io_priority(_IOPRIO_CLASS_IDLE)


def landlock_version() -> int:
    """Return the version of Landlock's interface, at least 1.

    Raises:
        OSError: ENOSYS: the kernel is built without it; EOPNOTSUPP: it is switched off at boot.
    """
    return _checked(_syscall(_LANDLOCK_CREATE_RULESET, None, 0, _LANDLOCK_CREATE_RULESET_VERSION))


def landlock_create_ruleset(handled: int) -> int:
    """Return a descriptor of a new ruleset that denies these kinds of access."""
    attributes = struct.pack("Q", handled)
    return _checked(_syscall(_LANDLOCK_CREATE_RULESET, attributes, len(attributes), 0))


def landlock_allow_beneath(ruleset: int, directory: int, access: int) -> None:
    """Add a rule to a ruleset that allows kinds of access beneath an open file or directory."""
    rule = struct.pack("=Qi", access, directory)
    _checked(_syscall(_LANDLOCK_ADD_RULE, ruleset, _LANDLOCK_RULE_PATH_BENEATH, rule, 0))


def landlock_restrict_self(ruleset: int) -> None:
    """Apply a ruleset to this thread and its future children; PR_SET_NO_NEW_PRIVS comes first."""
    _checked(_syscall(_LANDLOCK_RESTRICT_SELF, ruleset, 0))


_TIMEX_STATUS = 5
"""Index of `status` in struct timex, in longs: behind modes, offset, freq, maxerror, esterror."""
_TIMEX_LONGS = 64
"""More than struct timex has on any machine."""


def kernel_minutes_west() -> int:
    """Return the kernel's own time zone (gettimeofday(2)); the C library's wrapper gives 0.

    Raises:
        OSError: ENOSYS where the number of the call is not known.
    """
    zone = (ctypes.c_int * 2)()  # struct timezone
    _checked(_LIBC.syscall(ctypes.c_long(_own_call_numbers().gettimeofday), None, zone))
    return zone[0]


def clock_status() -> int:
    """Return the STA_* bits of the kernel's clock (adjtimex(2)), changing nothing."""
    timex = (ctypes.c_long * _TIMEX_LONGS)()  # modes 0 changes nothing
    _checked(_LIBC.adjtimex(ctypes.byref(timex)))
    return ctypes.c_int.from_buffer(timex, _TIMEX_STATUS * ctypes.sizeof(ctypes.c_long)).value


_M_ARENA_MAX = -8
"""Of malloc.h, GNU C library."""


def limit_arenas(most: int) -> None:
    """Have memory come from few arenas, whatever the number of threads (mallopt(3), GNU).

    Less memory is then kept that nobody uses. Another C library may not know of it.
    """
    mallopt = getattr(_LIBC, "mallopt", None)
    if mallopt is not None:
        mallopt(_M_ARENA_MAX, most)


_M_MMAP_THRESHOLD = -3
"""Of the same."""
_OF_ITS_OWN = 256 << 10


def give_back_memory() -> None:
    """Have what is freed go back to the system, also from threads (mallopt(3)).

    Else each thread keeps a heap of its own, and blocks of megabytes leave holes in it that
    smaller ones take. Does nothing where the C library has no such call, as musl.
    """
    limit_arenas(1)
    mallopt = getattr(_LIBC, "mallopt", None)
    if mallopt is not None:
        mallopt(_M_MMAP_THRESHOLD, _OF_ITS_OWN)
