"""Opens captures: in a directory here, over SSH with a key, or in an off-site copy."""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

from holdstill.cli import local_store, offsite_alone, options, terminal
from holdstill.errors import UsageError
from holdstill.keeper import forced_command, json_rpc
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.keeper.remote import RemoteKeeper
from holdstill.model import store_address
from holdstill.model.store_address import HostAddress
from holdstill.records import signature
from holdstill.system import work_folder
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.transport.board_keys import BoardKeys
from holdstill.transport.identity import Identity
from holdstill.transport.rsync import RsyncEndpoint, RsyncTransfer
from holdstill.workflow import before_start, capture_ref, needed_programs
from holdstill.workflow.remote_capture import RemoteLibrary

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.protocol import CaptureBrief
    from holdstill.model.sealed_capture import SealedCapture
    from holdstill.workflow.offsite_library import OffsiteLibrary

OFFSITE = "s3+"
"""How the address of an off-site copy begins."""


def host(given: str | None) -> HostAddress | None:
    """Return the host that the store is on, None when it is a directory here."""
    address = options.store_address(given)
    if "://" not in address or offsite(given):
        return None
    parsed = store_address.parse(address)
    return parsed if isinstance(parsed, HostAddress) else None


def offsite(given: str | None) -> str:
    """Return the address of the off-site copy that the store is, "" when it is none."""
    address = options.store_address(given)
    return address if address.startswith(OFFSITE) else ""


@contextmanager
def offsite_library(address: str) -> Iterator[OffsiteLibrary]:
    """Hold the captures of an off-site copy open for reading.

    Raises:
        UsageError: what it takes is not installed, or no key was given.
    """
    try:
        from holdstill.cli import offsite_source  # noqa: PLC0415  an extra, which takes its time
    except ModuleNotFoundError as error:
        raise not_installed(error) from error
    with offsite_source.library(address) as opened:
        yield opened


def not_installed(error: ModuleNotFoundError) -> UsageError:
    """Return the error that the extra `offsite` is not installed."""
    return UsageError(
        f"off-site copies need a package that is not here: {error.name}",
        hint="install holdstill with its extra: `pip install 'holdstill[offsite]'`",
    )


@contextmanager
def library(address: HostAddress, access: options.Access | None = None) -> Iterator[RemoteLibrary]:
    """Hold the captures that a key may read, at the other end of SSH, open for reading.

    Without an access, with the one that the running command was given.
    """
    from holdstill.transport import ssh_session  # noqa: PLC0415  paramiko takes its time

    access = access or options.access()
    before_start.refuse(
        [
            *before_start.of_programs(needed_programs.of_reading(address)),
            *before_start.of_key(access.key),
        ]
    )
    machine = LocalRunner()
    key = signature.public_half(access.key, machine)
    identity = Identity(access.key, access.host_keys)
    with ExitStack() as undo:
        folder = undo.enter_context(work_folder.made(access.cache))
        channel = undo.enter_context(
            ssh_session.connected(
                address, identity, command=forced_command.CONTROL, heartbeat=json_rpc.ALIVE
            )
        )
        bulk = RsyncTransfer(RsyncEndpoint(address, identity), folder, SystemClock())
        yield RemoteLibrary(
            RemoteKeeper(channel), bulk, key, machine=machine, folder=folder,
            remembered=BoardKeys.beside(access.host_keys).check, is_boards_key=access.is_boards,
        )  # fmt: skip


@contextmanager
def capture(given: str | None, reference: str) -> Iterator[SealedCapture]:
    """Hold the capture of a reference open; callers that use its contents call `trusted`."""
    elsewhere, address = offsite(given), host(given)
    if elsewhere:
        with offsite_library(elsewhere) as copies:
            found = copies.find(reference)
            _warn(copies.briefs(found.board), reference)
            yield found
        return
    if address is None:
        store = local_store.opened(given)
        if name := offsite_alone.name_of(store.root, reference):
            with offsite_alone.library(store.root, name) as copies:
                yield copies.find(name)
            return
        here = capture_ref.find(store, reference, runner=LocalRunner())
        _warn(BoardCaptures(store, here.board, LocalRunner()).briefs(), reference)
        yield here
        return
    with library(address) as opened:
        far = opened.find(reference)
        _warn(opened.briefs(), reference)
        yield far


def _warn(briefs: tuple[CaptureBrief, ...], reference: str) -> None:
    for line in capture_ref.passed_over(briefs, reference.partition("/")[2]):
        terminal.warn(f"warning: {line}")
