"""Types at a board's serial console, as somebody who sits before it does."""

from __future__ import annotations

import socket
import threading
import time
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PROMPT = b"unlock disk"
"""What Debian's initramfs asks with: "Please unlock disk NAME:" (cryptsetup-initramfs)."""
_UNTIL_IT_LISTENS = 1.0
"""Seconds: what is typed before the prompt has turned the echo off could be shown, or lost."""


def line(work: Path) -> tuple[str, ...]:
    """Return the emulator's words for a console that is noted, and can be typed at."""
    chardev = f"socket,id=com,path={work / 'com'},server=on,wait=off,logfile={work / 'console'}"
    return ("-chardev", chardev, "-serial", "chardev:com")


@contextmanager
def typing(work: Path, passphrase: str) -> Iterator[None]:
    """Have a passphrase typed when the board asks for one, once, in the length of the block."""
    wire = _connected(work / "com")
    thread = threading.Thread(target=_answer, args=(wire, passphrase), daemon=True)
    thread.start()
    try:
        yield
    finally:
        with suppress(OSError):
            wire.shutdown(socket.SHUT_RDWR)
        wire.close()
        thread.join()


def _connected(path: Path) -> socket.socket:
    deadline = time.monotonic() + 30
    while True:
        wire = socket.socket(socket.AF_UNIX)
        try:
            wire.connect(str(path))
        except OSError:
            wire.close()
            if time.monotonic() > deadline:
                raise
            time.sleep(0.05)
        else:
            return wire


def _answer(wire: socket.socket, passphrase: str) -> None:
    """Read all that is said, so that the board never waits for us; answer the first prompt."""
    said, is_answered = b"", False
    with suppress(OSError):
        while piece := wire.recv(4096):
            said = said[-len(PROMPT) :] + piece
            if PROMPT in said and not is_answered:
                time.sleep(_UNTIL_IT_LISTENS)
                wire.sendall(passphrase.encode() + b"\n")
                is_answered = True
