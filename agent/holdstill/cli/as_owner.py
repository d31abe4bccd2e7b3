"""Commands that change a store do so as the user it belongs to, whoever types them.

Root's begin anew as that user before anything in the store is opened; any other user is told the
line to type. Commands that only read a store (list, show, find, get, compare, rebuild) stay who
they are: they may need root for a card, and leave nothing in the store.
"""

from __future__ import annotations

import os
import shlex
import sys
from typing import TYPE_CHECKING

from holdstill.cli import local_store
from holdstill.keeper import store as stores
from holdstill.keeper import store_owner
from holdstill.system import users

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.system.users import User


def opened(root: Path, *, even_read_only: bool = False) -> Store:
    """Open a store in order to change it, as its owner; even_read_only: also where nobody can.

    Raises:
        UsageError: there is none.
        PreflightError: this user is not its owner.
    """
    top = root.absolute()
    # A mount point whose disk is not there may be root's: that there is no store is said first.
    stores.check_is_there(top)
    become_owner(top, even_read_only=even_read_only)
    return stores.open_store(top)


def opened_at(address: str | None) -> Store:
    """Open the store that `--store` or the settings name, in order to change it, as its owner.

    Raises:
        UsageError: the address is none, or not of a directory.
        PreflightError: this user is not the store's owner.
    """
    return opened(local_store.folder(address))


def become_owner(root: Path, *, even_read_only: bool = False) -> None:
    """Be the owner of a store, or of the directory that is to become one.

    As root, this does not return: the same command line begins anew.

    Raises:
        PreflightError: this user is not, and cannot become that.
    """
    owner = store_owner.owner(root)
    if owner is None or not store_owner.is_a_stranger(root, if_read_only=even_read_only):
        return
    if os.geteuid() == 0:
        users.start_again_as(owner)
    store_owner.check(root, hint=_hint(root, owner), if_read_only=even_read_only)


def _hint(root: Path, owner: User) -> str:
    """Return what to do: this very command line, for somebody who may become that user."""
    if owner.uid == 0 and not stores.is_there(root):
        me = users.User.of_this_process().called
        return (
            f"if a disk belongs there, mount it first; else give the directory to the user who is "
            f"to keep the store: `sudo chown {shlex.quote(me)} {shlex.quote(str(root))}`"
        )
    become = ["sudo"] if owner.uid == 0 else ["sudo", "-u", owner.called]
    return f"run it as that user: `{shlex.join([*become, 'holdstill', *sys.argv[1:]])}`"
