"""Giving up rights for good: what a process, and whatever it becomes, may still open.

Landlock (kernel 5.13 and later, Documentation/userspace-api/landlock.rst) needs no root. Where
the kernel lacks it, nothing happens: it is a second wall, never the only one.
"""

from __future__ import annotations

import ctypes
import os
import signal
import stat
import struct
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

_LIBC = ctypes.CDLL(None, use_errno=True)
_CREATE_RULESET, _ADD_RULE, _RESTRICT_SELF = 444, 445, 446
"""The numbers are the same on every architecture."""
_VERSION, _PATH_BENEATH = 1, 1
_PR_SET_PDEATHSIG, _PR_SET_NO_NEW_PRIVS = 1, 38

# linux/landlock.h, LANDLOCK_ACCESS_FS_*
_EXECUTE, _WRITE_FILE, _READ_FILE, _READ_DIR = 1, 2, 4, 8
_REMOVE_DIR, _REMOVE_FILE, _MAKE_DIR, _MAKE_REG = 1 << 4, 1 << 5, 1 << 7, 1 << 8
_ALL_OF_FIRST_VERSION = (1 << 13) - 1
_REFER, _TRUNCATE = 1 << 13, 1 << 14

_READ = _EXECUTE | _READ_FILE | _READ_DIR
_WRITE = _READ_FILE | _READ_DIR | _WRITE_FILE | _REMOVE_DIR | _REMOVE_FILE | _MAKE_DIR | _MAKE_REG
_FOR_FILES = _EXECUTE | _WRITE_FILE | _READ_FILE | _TRUNCATE


def restrict(*, read: Iterable[str], write: Iterable[str]) -> bool:
    """Open nothing from now on but what lies below these paths; tell whether that holds.

    Descriptors that are open stay open. Paths that do not exist are left out.
    """
    version = int(_LIBC.syscall(_CREATE_RULESET, None, ctypes.c_size_t(0), _VERSION))
    if version < 1:
        return False
    handled = _ALL_OF_FIRST_VERSION | (_REFER if version >= 2 else 0)
    handled |= _TRUNCATE if version >= 3 else 0
    ruleset = _called(_CREATE_RULESET, struct.pack("Q", handled), 8, 0)
    try:
        for path in read:
            _allow(ruleset, path, _READ & handled)
        for path in write:
            _allow(ruleset, path, (_WRITE | _TRUNCATE) & handled)
        _set(_PR_SET_NO_NEW_PRIVS, 1)
        _called(_RESTRICT_SELF, ruleset, 0)
    finally:
        os.close(ruleset)
    return True


def _allow(ruleset: int, path: str, access: int) -> None:
    try:
        handle = os.open(path, os.O_PATH | os.O_CLOEXEC)
    except FileNotFoundError:
        return
    try:
        if not stat.S_ISDIR(os.fstat(handle).st_mode):
            access &= _FOR_FILES
        _called(_ADD_RULE, ruleset, _PATH_BENEATH, struct.pack("=Qi", access, handle), 0)
    finally:
        os.close(handle)


def die_with_parent() -> None:
    """Have this process, and what it becomes, killed when its parent ends (prctl(2))."""
    _set(_PR_SET_PDEATHSIG, signal.SIGKILL)


def _set(option: int, value: int) -> None:
    if _LIBC.prctl(option, ctypes.c_ulong(value), 0, 0, 0) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def _called(number: int, *arguments: int | bytes) -> int:
    words = (a if isinstance(a, bytes) else ctypes.c_long(a) for a in arguments)
    answer = int(_LIBC.syscall(ctypes.c_long(number), *words))
    if answer < 0:
        error = ctypes.get_errno()
        raise OSError(error, os.strerror(error))
    return answer
