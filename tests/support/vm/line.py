"""Boot a Pi-type card and talk to it over its serial line: it needs no network for that.

What the firmware of a Pi would load is taken from the card's FAT, as its config.txt says. This
shares no code with the product's rehearsal.
"""

from __future__ import annotations

import base64
import contextlib
import re
import socket
import subprocess
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from support import programs
from support.vm import board

if TYPE_CHECKING:
    from collections.abc import Iterator

MACHINE = ("qemu-system-aarch64", "-accel", "tcg,thread=multi", "-M", "raspi3b", "-m", "1024")
QUIETLY = ("-nodefaults", "-display", "none", "-nic", "none", "-no-reboot")
NAMED = {
    "-kernel": r"^kernel=(\S+)$",
    "-initrd": r"^initramfs (\S+) followkernel$",
    "-dtb": r"^device_tree=(\S+)$",
}
"""Source: Raspberry Pi documentation, "config.txt": kernel, initramfs, device_tree."""
PROMPT = "board-test# "


class Line:
    """The far end of a board's serial line."""

    def __init__(self, wire: socket.socket) -> None:
        self.wire = wire
        self.heard = ""

    def until(self, pattern: str, seconds: float) -> str:
        """Wait for words of the board; return what it said up to their end, and forget that."""
        deadline = time.monotonic() + seconds
        while not (found := re.search(pattern, self.heard, re.MULTILINE)):
            left = deadline - time.monotonic()
            assert left > 0, f"no {pattern!r} after {seconds} s, but:\n{self.heard[-4000:]}"
            self.wire.settimeout(left)
            with contextlib.suppress(TimeoutError):
                self._listen()
        said, self.heard = self.heard[: found.end()], self.heard[found.end() :]
        return said

    def _listen(self) -> None:
        piece = self.wire.recv(65536)
        assert piece, f"the emulator ended; the last words:\n{self.heard[-4000:]}"
        self.heard += piece.decode(errors="replace")

    def log_in(self, seconds: float) -> None:
        """Wait for the login prompt, and become root, who has no password on a test's board."""
        self.until("login: ", seconds)
        self.say("root")
        self.until(r"# $", 120)
        # A plain shell, which echoes nothing of what is typed; and the kernel keeps silent.
        self.say(f"stty -echo; dmesg -n 1; exec env PS1='{PROMPT}' sh")
        self.until(rf"{PROMPT}$", 120)

    def say(self, words: str) -> None:
        """Type a line."""
        self.wire.sendall(words.encode() + b"\n")

    def run(self, command: str, seconds: float = 120) -> bytes:
        """Return what a command wrote; fail if it failed."""
        self.say(
            f"echo BEGIN; {{ {command}; }} >/run/said 2>&1; s=$?; base64 /run/said; echo END $s"
        )
        said = self.until(r"END (\d+)\r?$", seconds)
        body = said.rpartition("BEGIN")[2].rpartition("END")[0]
        told = base64.b64decode("".join(body.split()))
        status = said.split()[-1]
        assert status == "0", f"{command!r} ended {status}: {told.decode(errors='replace')}"
        self.until(re.escape(PROMPT), 60)
        return told


@contextlib.contextmanager
def pi(card: board.Card) -> Iterator[Line]:
    """Start a card in an emulated Pi 3 B, and give its serial line."""
    with tempfile.TemporaryDirectory(prefix="hspi-") as directory:
        work = Path(directory)
        drive = f"file={card.image},format=raw,if=sd,cache=unsafe"
        # The second line is the console of Linux' own device tree.
        lines = ("-serial", "null", "-serial", f"unix:{work}/line,server=on,wait=on")
        words = (*MACHINE, *QUIETLY, "-drive", drive, *lines, *loaded(card.image, work))
        with (
            (work / "said").open("wb") as said,
            subprocess.Popen(
                ("setpriv", "--pdeathsig", "KILL", *words), stdout=said, stderr=said
            ) as emulator,
            contextlib.closing(socket.socket(socket.AF_UNIX)) as wire,
        ):
            try:
                connect(wire, work / "line", emulator, work / "said")
                yield Line(wire)
            finally:
                emulator.kill()


def loaded(image: Path, work: Path) -> tuple[str, ...]:
    """Copy what config.txt names from the FAT, and say it in the emulator's words."""
    config = from_fat(image, "config.txt").decode()
    words = ["-append", from_fat(image, "cmdline.txt").decode().strip()]
    for option, pattern in NAMED.items():
        (name,) = re.findall(pattern, config, re.MULTILINE)
        (work / name).write_bytes(from_fat(image, name))
        words += [option, f"{work / name}"]
    return tuple(words)


def from_fat(image: Path, name: str) -> bytes:
    """Return a file on the boot partition of a card."""
    return programs.run("mtype", "-i", f"{image}@@{board.FAT_START}", f"::/{name}")


def connect(wire: socket.socket, at: Path, emulator: subprocess.Popen[bytes], said: Path) -> None:
    """Take the other end of the serial line as soon as it is there."""
    deadline = time.monotonic() + 30
    while True:
        try:
            wire.connect(str(at))
        except OSError:
            assert emulator.poll() is None, said.read_text(encoding="utf-8", errors="replace")
            assert time.monotonic() < deadline, "the emulator opens no serial line"
            time.sleep(0.05)
        else:
            return
