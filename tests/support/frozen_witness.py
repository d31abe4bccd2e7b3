"""A program: `holdstill` itself, beside a witness that reads files whole while they are frozen.

argv: OUT LOSS DEED FILE, and then the words for holdstill. The product is unchanged: an audit hook
(PEP 578) sees the ioctls and programs. Just before the first thaw the FILE is read whole, and its
SHA-256 is written to OUT when all is over. DEED is a shell's line that is run when the first hot
round has read and sends; the end is UNDONE if it never did. LOSS makes the block trace lose
something, as anybody with root could:

    none
    rounds   it is switched off for a moment while a hot round sends
    pause    it is switched off just before the freeze
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path

from holdstill.cli import main as cli
from holdstill.system import ioctl, tracefs

SENT = 3
"""Transfers after which the trace is switched off in a hot round."""
UNDONE = 98
OFF = 0.4
"""Seconds for which it is off then."""


@dataclass
class Witness:
    """Follows a capture; `digest` is that of the frozen file."""

    file: str
    loss: str
    deed: str
    me: int
    digest: str = ""
    sent: int = 0

    def heard(self, event: str, about: tuple[object, ...]) -> None:
        """Follow what happens, in this process: the guard has inherited this hook."""
        if event not in {"fcntl.ioctl", "subprocess.Popen"} or os.getpid() != self.me:
            return
        if event == "subprocess.Popen":
            self._program(str(about[0]))
        elif about[1] == ioctl.FIFREEZE and self.loss == "pause":
            switch("0")
        elif about[1] == ioctl.FITHAW and not self.digest:
            self.digest = hashlib.sha256(Path(self.file).read_bytes()).hexdigest()

    def _program(self, name: str) -> None:
        if not name.endswith("rsync"):
            return
        self.sent += 1
        if self.deed:
            line, self.deed = self.deed, ""
            subprocess.run(["/bin/sh", "-ec", line], check=True)
        if self.loss == "rounds" and self.sent == SENT:
            self.loss = "it was"
            switch("0")
            threading.Timer(OFF, switch, ["1"]).start()


def switch(to: str) -> None:
    """Switch the trace of this process on or off."""
    with tracefs.opened() as top:
        for name in mine(top):
            tracefs.write(top, f"instances/{name}/tracing_on", to)


def mine(top: int) -> list[str]:
    """Return the trace instances that this process holds."""
    here = Path("/proc/self/fd")
    held = {fd.readlink().name for fd in here.iterdir() if fd.is_symlink()}
    return [one.name for one in (here / str(top) / "instances").iterdir() if one.name in held]


def main() -> None:
    out, loss, deed, file = sys.argv[1:5]
    sys.argv[1:] = sys.argv[5:]
    witness = Witness(file, loss, deed, os.getpid())
    sys.addaudithook(witness.heard)
    try:
        cli.main()
    finally:
        Path(out).write_text(witness.digest, encoding="ascii")
        if witness.deed:
            os._exit(UNDONE)


if __name__ == "__main__":
    main()
