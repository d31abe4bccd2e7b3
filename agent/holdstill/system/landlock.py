"""Irrevocable limits on this process and its children: which files they may open (Landlock).

Landlock (Linux 5.13, Documentation/userspace-api/landlock.rst) needs no root. Where the kernel
lacks it, nothing happens: it is a second line of defence, never the only one.
"""

from __future__ import annotations

import os
import signal
import stat
from typing import TYPE_CHECKING

from holdstill.system import libc

if TYPE_CHECKING:
    from collections.abc import Iterable

# linux/landlock.h, LANDLOCK_ACCESS_FS_*
_EXECUTE, _WRITE_FILE, _READ_FILE, _READ_DIR = 1, 2, 4, 8
_REMOVE_FILE, _MAKE_REG = 1 << 5, 1 << 8
_ALL_OF_FIRST_VERSION = (1 << 13) - 1
_REFER, _TRUNCATE = 1 << 13, 1 << 14

_READ = _EXECUTE | _READ_FILE | _READ_DIR
_WRITE = _READ_FILE | _READ_DIR | _WRITE_FILE | _REMOVE_FILE | _MAKE_REG
"""Regular files only: no directories, symlinks, devices, sockets or pipes are made."""
_FOR_FILES = _EXECUTE | _WRITE_FILE | _READ_FILE | _TRUNCATE


def restrict(*, read: Iterable[str], write: Iterable[str]) -> bool:
    """Allow opening only what is beneath these paths; return whether the kernel enforces it.

    Beneath `write`, regular files can be made and removed, and nothing else.

    Open descriptors stay open. Paths that do not exist are left out.
    """
    try:
        version = libc.landlock_version()
    except OSError:
        return False
    handled = _ALL_OF_FIRST_VERSION | (_REFER if version >= 2 else 0)
    handled |= _TRUNCATE if version >= 3 else 0
    ruleset = libc.landlock_create_ruleset(handled)
    try:
        for path in read:
            _allow(ruleset, path, _READ & handled)
        for path in write:
            _allow(ruleset, path, (_WRITE | _TRUNCATE) & handled)
        libc.prctl(libc.PR_SET_NO_NEW_PRIVS, 1)
        libc.landlock_restrict_self(ruleset)
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
        libc.landlock_allow_beneath(ruleset, handle, access)
    finally:
        os.close(handle)


def die_with_parent(parent: int) -> None:
    """Have this process, and what it becomes, killed when its parent ends (prctl(2)).

    parent: the process id that had forked it; it may have ended before this was asked for.
    """
    libc.prctl(libc.PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:
        os.kill(os.getpid(), signal.SIGKILL)
