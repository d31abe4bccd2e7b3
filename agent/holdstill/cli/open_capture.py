"""Opens captures: in a directory here, or over SSH with a board's or a reader's key."""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

from holdstill.cli import local_store, options, terminal
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


def host(given: str | None) -> HostAddress | None:
    """Return the host that the store is on, None when it is a directory here."""
    address = options.store_address(given)
    if "://" not in address:
        return None
    parsed = store_address.parse(address)
    return parsed if isinstance(parsed, HostAddress) else None


@contextmanager
def library(address: HostAddress) -> Iterator[RemoteLibrary]:
    """Hold the captures that a key may read, at the other end of SSH, open for reading."""
    from holdstill.transport import ssh_session  # noqa: PLC0415  paramiko takes its time

    access = options.access()
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
            remembered=BoardKeys.beside(access.host_keys).check,
        )  # fmt: skip


@contextmanager
def capture(given: str | None, reference: str) -> Iterator[SealedCapture]:
    """Hold the capture of a reference open; callers that use its contents call `trusted`."""
    address = host(given)
    if address is None:
        store = local_store.opened(given)
        found = capture_ref.find(store, reference, runner=LocalRunner())
        _warn(BoardCaptures(store, found.board, LocalRunner()).briefs(), reference)
        yield found
        return
    with library(address) as opened:
        far = opened.find(reference)
        _warn(opened.briefs(), reference)
        yield far


def _warn(briefs: tuple[CaptureBrief, ...], reference: str) -> None:
    for line in capture_ref.passed_over(briefs, reference.partition("/")[2]):
        terminal.warn(f"warning: {line}")
