"""One SSH connection that all transfers of a capture share (ssh_config(5), ControlPath).

A login costs both ends a tenth of a second of processor, and half a second in which nothing is
sent; a first capture has dozens of transfers. Where there is no such connection, or the server
lets no transfer share one (sshd_config(5), MaxSessions), ssh logs in for each by itself.
"""

from __future__ import annotations

import threading
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.system import process, work_folder
from holdstill.system.process import Command
from holdstill.transport import openssh

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.store_address import HostAddress
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Background
    from holdstill.transport.identity import Identity
    from holdstill.transport.metered_line import MeteredLine

PREFIX = "line-"
PATIENCE = 25.0
"""Seconds that a login may take; ssh itself gives up connecting before that."""
LOOK_EVERY = 0.02
_DAY = 24 * 3600.0
AGAIN_AFTER = 60.0
"""Seconds without another try after one that failed: the transfers tell why, in their words."""


class SharedConnection:
    """The connection; it is made for the first transfer, and again after a cut. Use `opened`."""

    def __init__(self, words: tuple[str, ...], folder: Path, clock: Clock) -> None:
        self._words, self._folder, self._clock = words, folder, clock
        self._socket = folder / "s"
        self._lock = threading.Lock()
        self._undo = ExitStack()
        self._client: Background | None = None
        self._not_before = 0.0

    def options(self) -> tuple[str, ...]:
        """Return the options with which ssh goes by it, once it stands, or cannot be had."""
        with self._lock:
            if self._clock.monotonic() >= self._not_before and not self._stands():
                self._connect()
        return "-o", "ControlMaster=no", "-o", f"ControlPath={self._socket}"

    def close(self) -> None:
        """End it; transfers that go by it break."""
        with self._lock:
            self._not_before = float("inf")
            self._undo.close()

    def _stands(self) -> bool:
        return self._client is not None and not self._client.has_ended and self._socket.exists()

    def _connect(self) -> None:
        self._undo.close()  # what is left of the one before
        self._socket.unlink(missing_ok=True)
        command = Command.of(*self._words, timeout=_DAY)
        log = self._folder / "log"
        self._client = self._undo.enter_context(process.background(command, log=log, is_tied=True))
        deadline = self._clock.monotonic() + PATIENCE
        while not self._stands():
            if self._client.has_ended or self._clock.monotonic() > deadline:
                self._not_before = self._clock.monotonic() + AGAIN_AFTER
                self._undo.close()
                return
            self._clock.sleep(LOOK_EVERY)


@contextmanager
def opened(
    address: HostAddress,
    identity: Identity,
    line: MeteredLine | None,
    *,
    memory: Path,
    clock: Clock,
) -> Iterator[SharedConnection]:
    """Hold a connection for the length of the block.

    Args:
        address: of the keeper.
        identity: what it is reached with.
        line: leads there, if one does.
        memory: a folder on a tmpfs, for its socket.
        clock: is slept by.

    Raises:
        SecurityError: as `openssh.words`.
    """
    with work_folder.made(memory, prefix=PREFIX) as folder:
        own = ("-o", "ControlMaster=yes", "-o", f"ControlPath={Path(folder, 's')}", "-N")
        words = (*openssh.words(address, identity, line), *own, f"{address.user}@{address.host}")
        shared = SharedConnection(words, Path(folder), clock)
        try:
            yield shared
        finally:
            shared.close()
