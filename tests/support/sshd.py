"""A real SSH server for the length of a test: loopback only, with keys made for it."""

from __future__ import annotations

import os
import pwd
import re
import signal
import socket
import subprocess
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from support import keys, programs

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

LOOPBACK = "127.0.0.1"
PRIVILEGE_SEPARATION = Path("/run/sshd")
CONFIG = """\
ListenAddress {address}:{port}
HostKey {folder}/host_key
AuthorizedKeysFile {folder}/authorized_keys
PidFile none
LogLevel VERBOSE
# The keys lie below a folder that anyone may write to.
StrictModes no
UsePAM {pam}
UseDNS no
PasswordAuthentication no
KbdInteractiveAuthentication no
PermitRootLogin prohibit-password
PrintMotd no
PrintLastLog no
MaxStartups 100
Subsystem sftp internal-sftp
"""


@dataclass(frozen=True)
class Sshd:
    """A running server, and what a client needs to reach it."""

    folder: Path
    port: int
    process: subprocess.Popen[bytes]
    host_key: str
    """Type and key in base64, as a known_hosts line has them."""
    client_key: Path
    known_hosts: Path
    """Holds the right host key under the name that OpenSSH looks for."""
    user: str
    """The only user that an unprivileged server can log in: the one who started it."""
    host: str = LOOPBACK

    def authorize(self, *lines: str) -> None:
        """Let these authorized_keys lines in, and no others; takes effect at the next login."""
        _private(self.folder / "authorized_keys", "".join(f"{line}\n" for line in lines))

    def log(self) -> str:
        """Return what the server has logged so far."""
        return (self.folder / "log").read_text(encoding="utf-8", errors="backslashreplace")

    def client(self, *command: str) -> list[str]:
        """Return the words of an OpenSSH client that trusts this server's key and no other."""
        options = (
            *("-i", os.fspath(self.client_key), "-p", str(self.port), "-l", self.user),
            *("-o", "IdentitiesOnly=yes", "-o", "IdentityAgent=none", "-o", "BatchMode=yes"),
            *("-o", "StrictHostKeyChecking=yes"),
            *("-o", f"UserKnownHostsFile={self.known_hosts}"),
            *("-o", "GlobalKnownHostsFile=/dev/null"),
        )
        return ["ssh", "-F", "none", *options, self.host, *command]


@contextmanager
def running(folder: Path, *, extra: Sequence[str] = ()) -> Iterator[Sshd]:
    """Run a server whose files all lie in folder, which must exist.

    The client key may log in; `extra` has further lines for the server's configuration.
    """
    host = keys.make_key(folder / "host_key", comment="host")
    client = keys.make_key(folder / "client_key", comment="client")
    with _listening(folder, extra) as (process, port):
        server = Sshd(
            folder,
            port,
            process,
            host.public,
            client.private,
            folder / "known_hosts",
            pwd.getpwuid(os.geteuid()).pw_name,
        )
        _private(server.known_hosts, f"[{LOOPBACK}]:{port} {host.public}\n")
        server.authorize(client.public)
        yield server


@contextmanager
def _listening(
    folder: Path, extra: Sequence[str]
) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """Start the server on a port that was free a moment ago; try others if it is taken by then."""
    for _ in range(5):
        port = free_port()
        with _started(folder, port, extra) as process:
            if _answers(folder, process):
                yield process, port
                return
    raise AssertionError(f"sshd does not start:\n{(folder / 'log').read_text(encoding='utf-8')}")


@contextmanager
def _started(folder: Path, port: int, extra: Sequence[str]) -> Iterator[subprocess.Popen[bytes]]:
    config = folder / "sshd_config"
    config.write_text(_config(folder, port, extra), encoding="utf-8")
    if os.geteuid() == 0:
        PRIVILEGE_SEPARATION.mkdir(mode=0o755, exist_ok=True)
    # By its absolute path: the server starts itself again for each connection.
    argv = [programs.path_of("sshd"), "-D", "-e", "-f", os.fspath(config)]
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            argv,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            env=programs.PLAIN,
            start_new_session=True,
        )
    try:
        yield process
    finally:
        _end(process)


def _config(folder: Path, port: int, extra: Sequence[str]) -> str:
    text = CONFIG.format(
        address=LOOPBACK, port=port, folder=folder, pam="yes" if _root_is_locked() else "no"
    )
    # A test that fails to log in on purpose must not lock the next one out (OpenSSH 9.8 and up).
    penalties = ["PerSourcePenalties no"] if _version() >= (9, 8) else []
    # Debian's bash reads ~/.bashrc for a command over ssh: what this machine's has is no test of
    # ours. The last line, for of several SetEnv the first counts (sshd_config(5)).
    home = f"SetEnv HOME={folder}"
    return text + "".join(f"{line}\n" for line in (*penalties, *extra, home))


def _root_is_locked() -> bool:
    """Tell whether sshd would refuse root for its password field, as it does without PAM."""
    if os.geteuid() != 0:
        return False
    lines = Path("/etc/shadow").read_text(encoding="utf-8").splitlines()
    return any(line.startswith("root:!") for line in lines)


def _version() -> tuple[int, int]:
    words = programs.attempt("ssh", "-V").stderr.decode()
    found = re.match(r"OpenSSH_(\d+)\.(\d+)", words)
    assert found is not None, f"not a version of OpenSSH: {words}"
    return int(found[1]), int(found[2])


def _answers(folder: Path, process: subprocess.Popen[bytes]) -> bool:
    """Wait until the server itself says that it listens: whoever else has the port cannot."""
    deadline = time.monotonic() + 10
    while process.poll() is None and time.monotonic() < deadline:
        if b"Server listening on" in (folder / "log").read_bytes():
            return True
        time.sleep(0.02)
    return False


def _end(process: subprocess.Popen[bytes]) -> None:
    """End the server and the sessions that it started."""
    for number in (signal.SIGTERM, signal.SIGKILL):
        try:
            os.killpg(process.pid, number)
            process.wait(timeout=5)
        except ProcessLookupError:
            break
        except subprocess.TimeoutExpired:
            continue
    process.wait(timeout=5)


def free_port() -> int:
    """Return a loopback port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


def _private(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")
    path.chmod(0o600)
