"""Talking to the service manager: sd_notify(3), by its published protocol.

A datagram of NAME=value lines to the socket named in the environment; without one, nothing.
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
    """The service manager that started us, or nobody."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        # @ stands for the zero byte of an abstract socket (unix(7)).
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self.patience = _watchdog_seconds(environment)
        """Seconds in which it wants to hear from us; 0 if it does not care."""

    def ready(self) -> None:
        """Say that the start is over."""
        self._say("READY=1")

    def status(self, text: str) -> None:
        """Say in one line what we are doing."""
        self._say("STATUS=" + text.replace("\n", " "))

    def alive(self) -> None:
        """Say that we do not hang."""
        if self.patience:
            self._say("WATCHDOG=1")

    def stopping(self) -> None:
        """Say that we are about to end."""
        self._say("STOPPING=1")

    @contextmanager
    def alive_for(self, seconds: float) -> Iterator[None]:
        """Say from a thread that we live, until the block ends or the time is over.

        For work that is long and cannot say so itself. When the time is over, the manager gets
        impatient and ends us, which is what is wanted.
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

    def _say(self, line: str) -> None:
        if not self._address:
            return
        # A manager that is busy or gone must not keep us from our work.
        with (
            suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as wire,
        ):
            wire.setblocking(False)  # noqa: FBT003  the standard library's signature
            wire.sendto(line.encode(), self._address)


def _watchdog_seconds(environment: Mapping[str, str]) -> float:
    # The variables are inherited; they are meant for one process only (sd_watchdog_enabled(3)).
    if environment.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return 0.0
    text = environment.get("WATCHDOG_USEC", "0")
    return int(text) / 1e6 if text.isdecimal() else 0.0
