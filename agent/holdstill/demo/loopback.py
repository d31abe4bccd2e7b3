"""A real SSH server for the demonstration's keeper: loopback only, keys made for the occasion."""

from __future__ import annotations

import os
import pwd
import re
import shutil
import socket
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import LinkError, PreflightError
from holdstill.system import process
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.system.clocks import Clock
    from holdstill.system.process import Background, Runner

ADDRESS = "127.0.0.1"
_PRIVILEGE_SEPARATION = Path("/run/sshd")
_SHADOW = Path("/etc/shadow")
_TRIES = 5
_CONFIG = """\
ListenAddress {address}:{port}
HostKey {folder}/host_key
AuthorizedKeysFile {folder}/authorized_keys
PidFile none
# The directory is below one that anyone may write to.
StrictModes no
UsePAM {pam}
UseDNS no
PasswordAuthentication no
KbdInteractiveAuthentication no
PermitRootLogin prohibit-password
PrintMotd no
PrintLastLog no
"""


@dataclass(frozen=True)
class Server:
    """A server that runs.

    Attributes:
        host_key: type and base64, as in a known_hosts line.
        user: who can log in: the one who started it.
        authorized_keys: who may log in, and for what; read for each login.
    """

    port: int
    host_key: str
    user: str
    authorized_keys: Path

    @property
    def address(self) -> str:
        """The store's address for a board."""
        return f"ssh://{self.user}@{ADDRESS}:{self.port}"

    @property
    def known_hosts(self) -> str:
        """The line by which a client knows this server (sshd(8), SSH_KNOWN_HOSTS FILE FORMAT)."""
        return f"[{ADDRESS}]:{self.port} {self.host_key}\n"


@contextmanager
def running(folder: Path, *, machine: Runner, clock: Clock) -> Iterator[Server]:
    """Run a server for the length of the block; all its files are in folder.

    Raises:
        PreflightError: it is not installed, or does not start.
    """
    host_key = make_key(folder / "host_key", machine)
    authorized_keys = folder / "authorized_keys"
    authorized_keys.touch(mode=0o600)
    user = pwd.getpwuid(os.geteuid()).pw_name
    if os.geteuid() == 0:
        _PRIVILEGE_SEPARATION.mkdir(mode=0o755, exist_ok=True)
    for _ in range(_TRIES):  # a port that was free a moment ago may be taken
        port = free_port()
        with _started(folder, port) as server:
            if _listens(server, folder / "sshd.log", clock):
                yield Server(port, host_key, user, authorized_keys)
                return
    output = (folder / "sshd.log").read_text(encoding="utf-8", errors="replace").strip()
    raise PreflightError(f"sshd does not start: {output}")


def make_key(path: Path, machine: Runner) -> str:
    """Make an Ed25519 key pair at path and path.pub; return type and base64 of the public key."""
    words = ("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", path.name, "-f", path)
    machine.run(Command.of(*words))
    kind, key, *_ = path.with_name(f"{path.name}.pub").read_text(encoding="ascii").split()
    return f"{kind} {key}"


def free_port() -> int:
    """Return a loopback port without a listener."""
    with socket.socket() as probe:
        probe.bind((ADDRESS, 0))
        return int(probe.getsockname()[1])


@contextmanager
def _started(folder: Path, port: int) -> Iterator[Background]:
    config = folder / "sshd_config"
    # Without PAM, sshd refuses a root whose password field is locked.
    shadow = _SHADOW.read_text(encoding="utf-8") if os.geteuid() == 0 else ""
    pam = "yes" if re.search(r"^root:!", shadow, re.MULTILINE) else "no"
    text = _CONFIG.format(address=ADDRESS, port=port, folder=folder, pam=pam)
    config.write_text(text, encoding="utf-8")
    # By its absolute path: the server starts itself again for each connection.
    program = shutil.which("sshd", path=process.PLAIN_ENVIRONMENT["PATH"])
    if program is None:
        raise PreflightError("sshd is not installed", hint="on Debian: openssh-server")
    command = Command.of(program, "-D", "-e", "-f", config)
    with process.background(command, log=folder / "sshd.log") as server:
        yield server


def _listens(server: Background, log: Path, clock: Clock) -> bool:
    """Wait until the server's own log says that it listens: another owner of the port cannot."""
    deadline = clock.monotonic() + 10
    while not server.has_ended:
        if b"Server listening on" in log.read_bytes():
            return True
        if clock.monotonic() > deadline:
            raise LinkError(f"sshd does not listen; see {log}")
        clock.sleep(0.02)
    return False
