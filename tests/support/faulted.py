"""A program: `holdstill` itself, with something going wrong at a named point of a capture.

argv: POINT DEED TALK LISTEN, and then the words for holdstill. It changes nothing in the product:
Python tells an audit hook (PEP 578) of every program that is started and every ioctl, and that is
how the points are known. POINT:

    connect   the keeper is being connected to (C3)
    copy      the first contents are about to be sent (C4)
    quiesce   a service is about to be quieted, after another one was (C5)
    freeze    the first file system is about to be frozen
    frozen    everything is frozen and has been read (C6, C7)
    reading   a file is being opened while everything is frozen
    resume    all is thawed, the first service is about to be resumed (C8, C9)
    tail      what the pause took is about to be sent
    attach    index and boot gap are about to be sent (C10)
    sign      the manifest is about to be signed
    seal      the keeper is sealing (C11)

DEED: kill (this process), die (this process, and its guard first), term (the polite signals, four
of them), memory (no memory is left), ask (a byte is written to TALK, and the run waits for one on
LISTEN, while somebody else does something), none.

With `none` and the point `frozen` it exits with 97 if a program was started while frozen.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

from holdstill.cli import main as cli
from holdstill.system import ioctl

STARTED_WHILE_FROZEN = 97


@dataclass
class Fault:
    """Follows a capture, and does the deed once, at its point."""

    point: str
    deed: str
    talk: int
    listen: int
    me: int = field(default_factory=os.getpid)
    frozen: int = 0
    thawed: bool = False
    quieted: int = 0
    done: bool = False
    started_while_frozen: list[str] = field(default_factory=list)

    def heard(self, event: str, about: tuple[object, ...]) -> None:
        """Follow what happens, in this process: the guard has inherited this hook."""
        if self.done or event not in EVENTS or os.getpid() != self.me:
            return
        point = self._point(event, about)
        if point == self.point:
            self.done = self.deed != "none"
            self._do()

    def _point(self, event: str, about: tuple[object, ...]) -> str:
        match event:
            case "socket.connect":
                return "connect"
            case "fcntl.ioctl":
                return self._ioctl(about[1])
            case "subprocess.Popen":
                words = about[1]
                return self._program([*map(os.fsdecode, words)] if isinstance(words, list) else [])
            case _:
                return "reading" if self.frozen and not self.thawed else ""

    def _ioctl(self, number: object) -> str:
        if number == ioctl.FIFREEZE:
            self.frozen += 1
            return "freeze" if self.frozen == 1 else ""
        if number == ioctl.FITHAW and not self.thawed:
            self.thawed = True
            return "frozen"
        return ""

    def _program(self, words: list[str]) -> str:
        if self.frozen and not self.thawed:
            self.started_while_frozen.append(words[0])
        name = words[0].rpartition("/")[2]
        if name == "rm":
            self.quieted += 1
            return "quiesce" if self.quieted == 2 else ""
        if name == "touch":
            return "resume"
        if name == "rsync":
            sent = next(Path(words[-2]).iterdir()).readlink()
            return "attach" if "/pieces-" in str(sent) else "tail" if self.thawed else "copy"
        if name == "ssh-keygen" and "sign" in words:
            if self.point == "seal":
                threading.Timer(0.03, self._do).start()
            return "sign"
        return ""

    def _do(self) -> None:
        match self.deed:
            case "kill":
                os.kill(self.me, signal.SIGKILL)
            case "die":
                for child in children(self.me):
                    os.kill(child, signal.SIGKILL)
                os.kill(self.me, signal.SIGKILL)
            case "term":
                for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGTERM):
                    os.kill(self.me, number)
            case "memory":
                raise MemoryError("deliberate")
            case "ask":
                os.write(self.talk, b"?")
                os.read(self.listen, 1)
            case _:
                pass


EVENTS = frozenset({"socket.connect", "fcntl.ioctl", "subprocess.Popen", "open"})


def children(parent: int) -> list[int]:
    """Return the processes that a process has started."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text("utf-8", "replace").rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[1]) == parent:
            found.append(int(stat.parent.name))
    return found


def main() -> None:
    point, deed, talk, listen = sys.argv[1:5]
    sys.argv[1:] = sys.argv[5:]
    fault = Fault(point, deed, int(talk), int(listen))
    sys.addaudithook(fault.heard)
    started = time.monotonic()
    try:
        cli.main()
    finally:
        sys.stderr.write(f"seconds: {time.monotonic() - started:.2f}\n")
        if fault.started_while_frozen:
            sys.stderr.write(f"started while frozen: {fault.started_while_frozen}\n")
            os._exit(STARTED_WHILE_FROZEN)


if __name__ == "__main__":
    main()
