"""Boot a card image in an emulator, and run commands on what comes up.

Plain emulation: the processor's own virtualisation was found not to work for us (NOTES-vm).
Each machine has a port of its own, chosen by the kernel, so a test never talks to another
test's machine; its host key is checked as a keeper checks it; and whatever happens, the
emulator ends with the block.
"""

from __future__ import annotations

import contextlib
import json
import re
import shlex
import socket
import subprocess
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from support.vm import typist

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedRWPair

    from support.vm import board

UEFI = Path("/usr/share/OVMF/OVMF_CODE.fd")
SD_SLOT = ("-device", "sdhci-pci", "-device", "sd-card,drive=card")
U_BOOT = Path("/usr/lib/u-boot/qemu_arm64/u-boot.bin")
EMULATED = ("-accel", "tcg,thread=multi")
EMULATED_PC = ("qemu-system-x86_64", *EMULATED, "-cpu", "qemu64,-svm", "-vga", "none")
EMULATED_ARM = ("qemu-system-aarch64", *EMULATED, "-cpu", "cortex-a53", "-M", "virt")
NARROW_U_BOOT = Path("/usr/lib/u-boot/qemu_arm/u-boot.bin")
# Without highmem=off the PCI bus lies where a kernel without LPAE reaches nothing.
NARROW_ARM = ("qemu-system-arm", *EMULATED, "-cpu", "cortex-a15", "-M", "virt,highmem=off")
EVERY_BOARD = ("-nodefaults", "-display", "none", "-no-reboot")


@dataclass(frozen=True)
class Hardware:
    """What the emulated board is made of."""

    cores: int = 2
    memory_mib: int = 768
    # A rebuilt board is started alone: it reaches nothing but whoever logs in to it.
    reaches_host: bool = False

    def words(self) -> tuple[str, ...]:
        """Say it in the emulator's words."""
        reach = "" if self.reaches_host else ",restrict=on"
        wire = f"user,id=wire,hostfwd=tcp:127.0.0.1:0-:22{reach}"
        return (
            *("-smp", str(self.cores), "-m", str(self.memory_mib)),
            *("-netdev", wire, "-device", "virtio-net-pci,netdev=wire,romfile="),
        )


def drive(image: Path) -> str:
    """Return the drive option that all ways of booting share."""
    return f"file={image},format=raw,id=card,cache=unsafe"


def from_uefi(image: Path) -> tuple[str, ...]:
    """Boot as a Pi does: the firmware reads plain files from the FAT. The card is /dev/vda."""
    firmware = f"if=pflash,format=raw,readonly=on,file={UEFI}"
    return (*EMULATED_PC, "-M", "q35", "-drive", firmware, "-drive", f"{drive(image)},if=virtio")


def from_sd_card(image: Path) -> tuple[str, ...]:
    """Boot from a real SD slot by the boot code in the card's sectors: /dev/mmcblk0."""
    # Without a display, firmware and boot code print to the serial console.
    return (*EMULATED_PC, "-M", "pc,graphics=off", "-drive", f"{drive(image)},if=none", *SD_SLOT)


def from_u_boot(image: Path) -> tuple[str, ...]:
    """Boot a 64-bit Arm board by U-Boot, which reads plain files. The card is /dev/vda."""
    return (*EMULATED_ARM, "-bios", str(U_BOOT), "-drive", f"{drive(image)},if=virtio")


def from_narrow_u_boot(image: Path) -> tuple[str, ...]:
    """Boot a 32-bit Arm board by U-Boot, which reads plain files. The card is /dev/vda."""
    return (*NARROW_ARM, "-bios", str(NARROW_U_BOOT), "-drive", f"{drive(image)},if=virtio")


class Machine:
    """A booted board."""

    def __init__(self, emulator: subprocess.Popen[bytes], work: Path, known: board.Card) -> None:
        self.emulator = emulator
        self.work = work
        self.card = known
        self.port = 0
        self.seconds_to_login = 0.0

    @property
    def console(self) -> str:
        """What the board has printed on its serial console so far."""
        return (self.work / "console").read_text(errors="backslashreplace")

    def run(self, *words: str, stdin: bytes = b"", timeout: float = 60) -> bytes:
        """Return what a command on the board wrote; fail if it failed."""
        done = subprocess.run(
            self.words(*words), input=stdin, capture_output=True, timeout=timeout, check=False
        )
        if done.returncode != 0:
            said = (done.stdout + done.stderr)[-4000:].decode(errors="backslashreplace")
            raise AssertionError(f"on the board, {words} ended {done.returncode}:\n{said}")
        return done.stdout

    @contextlib.contextmanager
    def started(self, *words: str) -> Iterator[subprocess.Popen[bytes]]:
        """Keep a command running on the board for the length of the block, or until it ends."""
        pipe = subprocess.PIPE
        words_here = self.words(*words)
        with subprocess.Popen(words_here, stdin=pipe, stdout=pipe, stderr=pipe) as process:
            try:
                yield process
            finally:
                process.kill()

    def words(self, *words: str) -> list[str]:
        """Say a command of the board's in words of this machine's."""
        return [*self.login, shlex.join(words)]

    @property
    def login(self) -> list[str]:
        """How this machine logs in to the board."""
        options = ("-F", str(self.work / "ssh_config"), "-S", str(self.work / "login"))
        return ["ssh", *options, "-p", str(self.port), "root@127.0.0.1"]

    def put(self, path: str, content: bytes) -> None:
        """Write a file on the board."""
        self.run("install", "-D", "/dev/stdin", path, stdin=content)

    def stop(self, seconds: float = 90) -> None:
        """Shut the board down as its owner would, and wait until it is off."""
        self.run("systemctl", "poweroff", "--no-block")
        if self.emulator.wait(seconds) != 0:
            raise AssertionError(f"the emulator ended badly:\n{self.words_of_emulator()}")

    def cut_power(self) -> None:
        """Stop the board between two instructions."""
        self.emulator.kill()
        self.emulator.wait()

    def words_of_emulator(self) -> str:
        """What the emulator itself had to say."""
        return (self.work / "emulator").read_text(errors="backslashreplace")


@contextlib.contextmanager
def booted(
    card: board.Card,
    firmware: tuple[str, ...],
    *,
    hardware: Hardware | None = None,
    seconds: float = 480,
    passphrase: str = "",
) -> Iterator[Machine]:
    """Boot a card and give a machine that can be logged in to; end the emulator at the end.

    passphrase: what is typed at the console when the board asks for one.
    """
    with tempfile.TemporaryDirectory(prefix="hsvm-") as directory, contextlib.ExitStack() as undo:
        work = Path(directory)
        words = (*firmware, *EVERY_BOARD, *(hardware or Hardware()).words())
        line = typist.line(work) if passphrase else ("-serial", f"file:{work / 'console'}")
        machine = Machine(start_emulator((*words, *line), work), work, card)
        undo.callback(machine.cut_power)
        if passphrase:
            undo.enter_context(typist.typing(work, passphrase))
        write_ssh_config(work, card.tree)
        machine.port = forwarded_port(machine)
        before = time.monotonic()
        undo.enter_context(ended(log_in(machine, seconds)))
        machine.seconds_to_login = round(time.monotonic() - before, 1)
        yield machine


def start_emulator(words: tuple[str, ...], work: Path) -> subprocess.Popen[bytes]:
    """Start the emulator with its control socket in the work directory."""
    control = f"unix:{work / 'control'},server=on,wait=off"
    with (work / "emulator").open("wb") as said:
        return subprocess.Popen(
            # A killed test run leaves no machine behind.
            ("setpriv", "--pdeathsig", "KILL", *words, "-qmp", control),
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=said,
            start_new_session=True,
        )


def write_ssh_config(work: Path, tree: board.Tree) -> None:
    """Trust the board's own host key and no other, and log in with the tests' key only."""
    (work / "known_hosts").write_text(f"board {tree.host_key}\n")
    options = {
        "HostKeyAlias": "board",
        "UserKnownHostsFile": work / "known_hosts",
        "GlobalKnownHostsFile": "/dev/null",
        "StrictHostKeyChecking": "yes",
        "HostKeyAlgorithms": "ssh-ed25519",
        "IdentityFile": tree.key,
        "IdentitiesOnly": "yes",
        "BatchMode": "yes",
        "ConnectTimeout": 30,
        "LogLevel": "ERROR",
    }
    (work / "ssh_config").write_text("".join(f"{k} {v}\n" for k, v in options.items()))


def forwarded_port(machine: Machine) -> int:
    """Ask the emulator which port of ours it took: nobody else can hold it."""
    answer = ask_emulator(machine, "info usernet")
    found = re.search(r"TCP\[HOST_FORWARD\]\s+\d+\s+127\.0\.0\.1\s+(\d+)", answer)
    if not found:
        raise AssertionError(f"the emulator forwards no port:\n{answer}")
    return int(found[1])


def ask_emulator(machine: Machine, question: str) -> str:
    """Have one line answered by the emulator's monitor."""
    with contextlib.closing(connected(machine)) as control, control.makefile("rwb") as wire:
        answer_to(wire, {"execute": "qmp_capabilities"})
        arguments = {"command-line": question}
        return str(answer_to(wire, {"execute": "human-monitor-command", "arguments": arguments}))


def connected(machine: Machine) -> socket.socket:
    """Connect to the emulator's control socket as soon as it is there."""
    deadline = time.monotonic() + 30
    while True:
        control = socket.socket(socket.AF_UNIX)
        try:
            control.connect(str(machine.work / "control"))
        except OSError as error:
            control.close()
            require_running(machine)
            if time.monotonic() > deadline:
                raise AssertionError("the emulator opens no control socket") from error
            time.sleep(0.05)
        else:
            return control


def answer_to(wire: BufferedRWPair, question: dict[str, object]) -> object:
    """Ask on the control socket; pass over its greeting and the events it reports."""
    wire.write(json.dumps(question).encode() + b"\n")
    wire.flush()
    while line := wire.readline():
        document = json.loads(line)
        if "return" in document or "error" in document:
            return document["return"]
    raise AssertionError(f"the emulator left {question} unanswered")


def require_running(machine: Machine) -> None:
    """Fail with the emulator's own words if it has ended."""
    if machine.emulator.poll() is not None:
        raise AssertionError(f"the emulator ended:\n{machine.words_of_emulator()}")


def log_in(machine: Machine, seconds: float) -> subprocess.Popen[bytes]:
    """Wait until the board lets us in; keep one connection for all commands to come."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        login = open_login(machine)
        while login.poll() is None:
            if (machine.work / "login").exists():
                return login
            time.sleep(0.1)
        require_running(machine)
        time.sleep(0.3)
    raise AssertionError(f"nobody can log in after {seconds} s; the console:\n{machine.console}")


@contextlib.contextmanager
def ended(process: subprocess.Popen[bytes]) -> Iterator[None]:
    """End a process with the block."""
    with process:
        try:
            yield
        finally:
            process.kill()


def open_login(machine: Machine) -> subprocess.Popen[bytes]:
    """Start the connection that the commands share; it ends by itself if nobody answers."""
    # The emulator accepts connections before the board does: a short timeout, and again.
    return subprocess.Popen(
        (*machine.login, "-o", "ConnectTimeout=5", "-M", "-N"),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
