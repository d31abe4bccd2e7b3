"""Notifications to the service manager, by the protocol of sd_notify(3).

A datagram of NAME=value lines to the socket named in NOTIFY_SOCKET; without it, nothing is sent.
"""

from __future__ import annotations

import os
import socket
import threading
import time
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping


class SdNotify:
    """The service manager that started us, if one did."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        # @ represents the zero byte of an abstract socket (unix(7)).
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self.patience = _watchdog_seconds(environment)
        """Seconds of its watchdog: the longest time between two `alive`; 0 without a watchdog."""

    def ready(self) -> None:
        """Report that the start is over."""
        self._send("READY=1")

    def status(self, text: str) -> None:
        """Set the status line that systemctl(1) shows."""
        self._send("STATUS=" + text.replace("\n", " "))

    def alive(self) -> None:
        """Reset the watchdog."""
        if self.patience:
            self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """Report that we are about to end."""
        self._send("STOPPING=1")

    @contextmanager
    def alive_for(self, seconds: float) -> Iterator[None]:
        """Reset the watchdog from a thread, until the block ends or the time is over.

        For long work that cannot call `alive` itself. After that time the watchdog kills a
        process that hangs, as it should.
        """
        over = threading.Event()

        def beat() -> None:
            deadline = time.monotonic() + seconds
            while time.monotonic() < deadline and not over.wait(self.patience / 3):
                self.alive()

        thread = threading.Thread(target=beat, name="watchdog", daemon=True)
        if self.patience:
            self.alive()
            thread.start()
        try:
            yield
        finally:
            over.set()
            if self.patience:
                thread.join()

    def _send(self, line: str) -> None:
        if not self._address:
            return
        # A manager that is busy or gone must not block us.
        with (
            suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender,
        ):
            sender.setblocking(False)  # noqa: FBT003  the standard library's signature
            sender.sendto(line.encode(), self._address)


def _watchdog_seconds(environment: Mapping[str, str]) -> float:
    # Children inherit the variables, which are for one process only (sd_watchdog_enabled(3)).
    if environment.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return 0.0
    text = environment.get("WATCHDOG_USEC", "0")
    return int(text) / 1e6 if text.isdecimal() else 0.0
