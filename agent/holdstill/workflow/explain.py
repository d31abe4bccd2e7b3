"""What this machine did not let us do, as an error that a person can act on.

The layers below translate what they expect. What comes out of a command all the same, of the
operating system, of SQLite or of the interpreter's limits, is no fault of this program: it gets
its path, its cause and a next step here. What `explained` does not know is our fault.
"""

from __future__ import annotations

import errno
import os
import shlex
import sqlite3
from contextlib import suppress
from pathlib import Path

from holdstill.errors import BusyError, HoldstillError, MachineError, VerificationError
from holdstill.keeper import store as stores
from holdstill.keeper import store_owner
from holdstill.system import users

_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})
_OTHER_KIND = frozenset({errno.EISDIR, errno.ENOTDIR, errno.ELOOP, errno.ENXIO})
_DAMAGED = frozenset({errno.EIO, errno.EUCLEAN, errno.EBADMSG, errno.ENODATA})
_TAKEN = frozenset({errno.EBUSY, errno.ETXTBSY, errno.EAGAIN})
_ROOM = "make room there (`df` shows which disk is full), then run this again"


def explained(error: BaseException) -> HoldstillError | None:
    """Return the error in our words; None when nothing but a fault of ours explains it."""
    match error:
        case HoldstillError():
            return error
        case OSError():
            return _of_the_system(error)
        case sqlite3.Error():
            return _of_a_database(error)
        case UnicodeError():
            return VerificationError(
                f"something that should be text is not: {error}",
                hint="look for a name or a file in another encoding than UTF-8 among what was "
                "named, and rename or repair it",
            )
        case RecursionError():
            return VerificationError(
                "something is nested more deeply than this program follows",
                hint="look for a folder or a document that is hundreds of levels deep, and "
                "remove it",
            )
        case MemoryError():
            return MachineError(
                "there is not enough memory for this",
                hint="end something else that runs here, or do it on a machine that has more",
            )
        case _:
            return None


def _of_the_system(error: OSError) -> HoldstillError:
    """Explain an error number (errno(3)); without one, the error was made by a library."""
    what = f"{_path(error)}{error.strerror or error}"
    number = error.errno
    if isinstance(error, PermissionError):
        return MachineError(what, hint=_whose(error))
    if number in _FULL:
        return MachineError(what, hint=_ROOM + _of_no_loss(error))
    if number in _DAMAGED:
        return VerificationError(
            what, hint="the disk does not give it back: see `dmesg`, and copy from it what you can"
        )
    if number in _TAKEN:
        return BusyError(what, hint="something else uses it: `fuser -v` or `lsof` shows what")
    if number in _OTHER_KIND:
        return MachineError(
            what,
            hint="something of another kind is in its place (`ls -ld` shows it): move that away",
        )
    if number == errno.ENOENT:
        return MachineError(what, hint="it was there, or should be: see what removed it")
    if number == errno.EROFS:
        return MachineError(
            what,
            hint="it is on a file system that is read-only: see `dmesg`. Or a unit of systemd "
            "began this, which writes only where its `ReadWritePaths=` says: `sudo holdstill "
            "keeper setup` puts the store's place into the units",
        )
    if number == errno.EXDEV:
        return MachineError(
            what,
            hint="nothing can be renamed or linked from one file system into another: `findmnt "
            "--target PATH` shows for each of both where that is mounted (a subvolume counts as "
            "one); a store has to be on one file system, and `holdstill status` says what is not",
        )
    return MachineError(what, hint="see `dmesg` for what the kernel says about it")


def _of_no_loss(error: OSError) -> str:
    """Name what can be deleted in a store on a full disk, where there may be nothing else."""
    for folder in _where(error).parents:
        with suppress(OSError):  # in a folder that this user may not look into
            if (memory := folder / stores.VERIFIED).is_file() and stores.is_there(folder):
                return (
                    f". If nothing but the store is on that disk: `rm {shlex.quote(str(memory))}` "
                    "is no loss; it only spares `holdstill verify` some work"
                )
    return ""


def _where(error: OSError) -> Path:
    """Return the path that the error is about; the working directory when it does not say."""
    name = error.filename
    return Path(os.fsdecode(name) if isinstance(name, str | bytes) else "").absolute()


def _whose(error: OSError) -> str:
    """Return what to do about what this user may not touch."""
    with suppress(OSError):
        path, me = _where(error), users.User.of_this_process()
        if part := _strange_part(path, me):
            whose = users.User.owner_of(part).called
            return (
                f"{part} is user {whose}'s, in a store of user {me.called}, as whom this runs: "
                f"`{store_owner.given_back(part, me)}` gives it back"
            )
        owner, above = users.User.owner_of(path), users.User.owner_of(path.parent)
        if owner.uid == me.uid:
            line = shlex.join(["chmod", "u+rwX", os.fspath(path)])
            return f"its mode forbids it, although it is yours: `{line}`"
        if above.uid == me.uid != owner.uid:
            line = shlex.join(["sudo", "chown", "-h", me.called, os.fspath(path)])
            return (
                f"it is user {owner.called}'s, in a folder of user {me.called}, as whom this "
                f"runs: `{line}` gives it back"
            )
    return "run this as root (sudo), or as the user that it belongs to"


def _strange_part(path: Path, me: users.User) -> Path | None:
    """Return the largest part of a store of this user that a path is in and that another owns."""
    found = None
    for part in (path, *path.parents):
        with suppress(OSError):  # in a folder that this user may not look into
            is_mine = users.User.owner_of(part).uid == me.uid
            if is_mine and stores.is_there(part):
                return found
            found = found if is_mine else part
    return None


def _path(error: OSError) -> str:
    """Return what the error is about, with a colon; "" when it does not say."""
    named = [name for name in (error.filename, error.filename2) if name is not None]
    shown = [f"file descriptor {x}" if isinstance(x, int) else os.fsdecode(x) for x in named]
    return " and ".join(shown) + ": " if shown else ""


def _of_a_database(error: sqlite3.Error) -> HoldstillError | None:
    """Explain SQLite's result code (sqlite.org/rescode.html); None for wrong use of it."""
    what = f"a database: {error}"
    match getattr(error, "sqlite_errorcode", None):
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return BusyError(what, hint="another run uses it; wait for that to end")
        case sqlite3.SQLITE_FULL:
            return MachineError(what, hint=_ROOM)
        case sqlite3.SQLITE_CORRUPT | sqlite3.SQLITE_NOTADB:
            return VerificationError(what, hint="`holdstill verify` says which, and what to do")
        case int(code) if code & 0xFF in {
            sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM,
            sqlite3.SQLITE_IOERR, sqlite3.SQLITE_NOMEM,
        }:  # fmt: skip
            return MachineError(
                what, hint="see whether its disk is full, read-only or failing (`df`, `dmesg`)"
            )
        case _:
            return None
