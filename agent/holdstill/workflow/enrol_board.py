"""Pin the keeper's host key, and have the board enrolled at the keeper."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError, UsageError
from holdstill.keeper import enrolment, store_owner
from holdstill.keeper import store as stores
from holdstill.model import names
from holdstill.model.store_address import FolderAddress, HostAddress
from holdstill.records import signature
from holdstill.transport import host_keys as keys
from holdstill.transport import password_login

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.store_address import StoreAddress
    from holdstill.system.clocks import Clock
    from holdstill.transport.host_keys import HostKey
    from holdstill.transport.password_login import OneTimeLogin
    from holdstill.workflow.setup import BoardFiles


def ask_host_key(address: StoreAddress) -> HostKey | None:
    """Return the host key that a keeper shows; None for a store in a directory.

    Raises:
        LinkError: nobody answers.
        UsageError: there is no store in the directory; PreflightError: it is another user's.
    """
    if isinstance(address, HostAddress):
        return keys.scan(address)
    if isinstance(address, FolderAddress):
        stores.open_store(address.path)
        store_owner.check(address.path, hint=store_owner.BY_SSH)
    return None


def is_pinned(host_keys: Path, pin: HostKey) -> bool:
    """Whether this very key is pinned already in a file."""
    return pin in keys.read(host_keys)


def is_pinned_as(machine: BoardFiles, fingerprint: str) -> bool:
    """Whether a board's keeper is pinned with this fingerprint; one in a folder has none."""
    address = machine.settings.keeper
    if not isinstance(address, HostAddress):
        return True
    pins = keys.pinned(machine.host_keys, address)
    return fingerprint.strip() in {pin.fingerprint for pin in pins}


def check_fingerprint(pin: HostKey, given: str) -> None:
    """Check that a host key is the one that a person read at the keeper.

    Raises:
        SecurityError: it is another one.
    """
    if given.strip() != pin.fingerprint:
        raise SecurityError(
            f"{pin.host} shows the host key {pin.fingerprint}, not {given.strip()}",
            hint=f"nothing was written. Compare with what `{at_keeper(pin)}` prints there; "
            "if they differ, somebody is in the middle, or it is another host",
        )


def at_keeper(pin: HostKey) -> str:
    """Return the command that prints the fingerprint at the keeper itself."""
    kind = {"ssh-ed25519": "ed25519", "ssh-rsa": "rsa"}.get(pin.kind, "ecdsa")
    return f"ssh-keygen -lf /etc/ssh/ssh_host_{kind}_key.pub"


def enrol_here(machine: BoardFiles, address: FolderAddress, public: str, clock: Clock) -> None:
    """Enrol the board in a store that is a directory of this machine."""
    board = names.check_board(machine.settings.board)
    key = signature.check_public_key(public)
    enrolment.enrol(stores.open_store(address.path), board, key, clock=clock, limits=None)


def check_store(store: str) -> None:
    """Check the store's path at the keeper: it goes into a line for a shell.

    Raises:
        UsageError: it is more than a plain path.
    """
    if not re.fullmatch(r"/[A-Za-z0-9._/-]+", store):
        raise UsageError(f"{store!r} is not a plain absolute path", hint="such as /srv/holdstill")


def line_for_keeper(machine: BoardFiles, public: str, store: str) -> str:
    """Return the one line that enrols the board, to be pasted into a shell at the keeper."""
    return f"echo '{public}' | {_enrol(machine, store)}"


def enrol_there(
    machine: BoardFiles,
    address: HostAddress,
    public: str,
    store: str,
    *,
    pin: HostKey,
    login: OneTimeLogin,
) -> str:
    """Have the keeper enrol the board, by a login that is used once; return its output.

    Raises:
        SecurityError: the keeper shows another host key than the pinned one.
        LinkError: it does not let us in, or does not enrol.
    """
    return password_login.run(
        address, pin, login, command=_enrol(machine, store), stdin=f"{public}\n".encode()
    )


def _enrol(machine: BoardFiles, store: str) -> str:
    """Return the command that, at the keeper, enrols the board whose key it reads."""
    check_store(store)
    return f"holdstill keeper enrol {store} {machine.settings.board} --key - --let-in"
