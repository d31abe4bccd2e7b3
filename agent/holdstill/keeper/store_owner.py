"""A store belongs to one user, and what another one makes in it locks that user out.

A board's enrolment that is root's cannot be read by the keeper's user, a lock that is root's
cannot be taken: so nobody but the owner changes a store.
"""

from __future__ import annotations

import errno
import os
import secrets
import shlex
from typing import TYPE_CHECKING

from holdstill.errors import PreflightError
from holdstill.system.users import User

if TYPE_CHECKING:
    from pathlib import Path

BY_SSH = (
    "a board's root is let into another user's store over SSH, also on one and the same machine: "
    "name it as ssh://USER@localhost, or give root a store of its own"
)


def owner(root: Path) -> User | None:
    """Return whom a store, or a directory that is to become one, belongs to; None without one.

    That is whose the directory is, whoever has put a file into it.
    """
    try:
        return User.owner_of(root.resolve())
    except (FileNotFoundError, NotADirectoryError, PermissionError):
        return None


def given_back(path: Path, owner: User) -> str:
    """Return the line that gives a part of a store, with all that is in it, back to its owner."""
    return shlex.join(["sudo", "chown", "-R", owner.called, os.fspath(path)])


def is_a_stranger(root: Path, *, if_read_only: bool = False) -> bool:
    """Whether what this process makes in a store would belong to another user than the store.

    Tried out, for network and FAT file systems give every file to one user.

    Args:
        root: of the store.
        if_read_only: what anybody else than the owner is where all is read-only.
    """
    found = owner(root)
    if found is None:
        return False
    whose = _own_files(root, found.uid)
    return if_read_only if whose is None else whose != found.uid


def check(root: Path, *, hint: str, if_read_only: bool = False) -> None:
    """Check that what this process makes in a store belongs to the store's owner.

    if_read_only: as `is_a_stranger` has it.

    Raises:
        PreflightError: it does not.
    """
    found = owner(root)
    if found is not None and is_a_stranger(root, if_read_only=if_read_only):
        raise PreflightError(
            f"{root} is user {found.called}'s; what another user makes in it would lock that "
            "user out, and nothing was changed",
            hint=hint,
        )


def _own_files(folder: Path, owner_id: int) -> int | None:
    """Return whose a file is that this process makes here; None on a read-only one."""
    if os.geteuid() == owner_id:
        return owner_id
    try:
        return _made_without_name(folder)
    except OSError:
        pass  # NFS, SMB, FAT and FUSE have no files without a name (open(2), O_TMPFILE)
    path = folder / f".owner-{secrets.token_hex(8)}"
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    except OSError as error:
        return None if error.errno == errno.EROFS else os.geteuid()
    try:
        return os.fstat(handle).st_uid
    finally:
        os.close(handle)
        path.unlink()


def _made_without_name(folder: Path) -> int:
    handle = os.open(folder, os.O_TMPFILE | os.O_RDWR | os.O_CLOEXEC, 0o600)
    try:
        return os.fstat(handle).st_uid
    finally:
        os.close(handle)
