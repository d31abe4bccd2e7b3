"""The control channel: one SSH connection by paramiko, opened before the pause.

Key only, one pinned host key, no agent, no user's configuration. A peer that died is noticed
within a minute or so, because this side sends something every few seconds and the kernel gives
up on what is never acknowledged.
"""

from __future__ import annotations

import logging
import socket
import threading
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

from holdstill.errors import (
    BusyError,
    ConnectionLostError,
    HoldstillError,
    LinkError,
    PreflightError,
)
from holdstill.transport import host_keys as keys
from holdstill.transport import lean_paramiko, link_failure
from holdstill.transport.lean_paramiko import paramiko

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.store_address import HostAddress
    from holdstill.transport.identity import Identity
    from holdstill.transport.metered_line import MeteredLine

# What it would write of an error, tracebacks and all, is told by ours (logging.html, "What happens
# if no configuration is provided", docs.python.org).
logging.getLogger("paramiko").addHandler(logging.NullHandler())

CONNECT_TIMEOUT = 20.0
ANSWER_TIMEOUT = 4 * 3600.0
"""Sealing a million files on a slow disk takes its time; a dead link is noticed otherwise."""
EXIT_PATIENCE = 2.0
"""Seconds to wait for the exit code of a session that has ended."""
KEEP_ALIVE = 10
UNANSWERED_MS = 30_000
"""After so long without an acknowledgement the kernel drops the connection (tcp(7)): a thin line
may have as much waiting before it, and one that is cut every minute has no more time to lose."""
_TCP_USER_TIMEOUT = 18
LINE_LIMIT = 16 << 20


@contextmanager
def connected(
    address: HostAddress,
    identity: Identity,
    *,
    command: str,
    heartbeat: bytes = b"",
    every: float = 30.0,
    line: MeteredLine | None = None,
) -> Iterator[SshSession]:
    """Run a command on a host and hold a channel of lines to it for the block.

    The heartbeat is a line that is sent every so often and not answered; b"" for none. The line
    leads there, if one does.

    Raises:
        PreflightError: our own key cannot be used.
        SecurityError: the host's key is not the pinned one.
        LinkError: no connection, or we are not let in.
    """
    with ExitStack() as undo:
        client = undo.enter_context(_client(address, identity, line))
        channel = _opened(client, address)
        undo.callback(channel.close)
        channel.settimeout(ANSWER_TIMEOUT)
        try:
            channel.exec_command(command)
        except (paramiko.SSHException, OSError, EOFError) as error:
            raise link_failure.of_exception(error, address) from error
        session = SshSession(channel, address)
        if heartbeat:
            undo.enter_context(_beating(session, heartbeat, every))
        yield session


@contextmanager
def _client(
    address: HostAddress, identity: Identity, line: MeteredLine | None
) -> Iterator[paramiko.SSHClient]:
    keys.pinned(identity.host_keys, address)
    key = _own_key(identity.key)
    client = paramiko.SSHClient()
    try:
        client.load_host_keys(str(identity.host_keys))
        client.set_missing_host_key_policy(paramiko.RejectPolicy())
        _connect(client, address, key, line)
        yield client
    finally:
        client.close()


def _own_key(path: Path) -> paramiko.PKey:
    try:
        return paramiko.PKey.from_path(path)
    except (OSError, ValueError, TypeError, paramiko.SSHException) as error:
        raise PreflightError(
            f"cannot use the key {path}: {lean_paramiko.why_no_key(error)}",
            hint="name this board's private key, one without a passphrase; "
            "`ssh-keygen -t ed25519 -N '' -f FILE` makes one, and `holdstill setup` does it all",
        ) from error


def _connect(
    client: paramiko.SSHClient, address: HostAddress, key: paramiko.PKey, line: MeteredLine | None
) -> None:
    try:
        client.connect(
            address.host,
            address.port,
            address.user,
            pkey=key,
            allow_agent=False,
            look_for_keys=False,
            timeout=CONNECT_TIMEOUT,
            banner_timeout=CONNECT_TIMEOUT,
            auth_timeout=CONNECT_TIMEOUT,
            sock=_plug(address if line is None else line.here),
        )
    except paramiko.BadHostKeyException as error:
        raise link_failure.told(link_failure.OTHER_HOST, address) from error
    except paramiko.AuthenticationException as error:
        raise link_failure.told(link_failure.NOT_LET_IN, address, str(error)) from error
    except (paramiko.SSHException, OSError, EOFError) as error:
        cause = (line.failure if line is not None else None) or error
        raise link_failure.of_exception(cause, address) from error


def _plug(address: HostAddress) -> socket.socket:
    """Open a TCP connection that does not outlive a dead peer."""
    plug = socket.create_connection((address.host, address.port), timeout=CONNECT_TIMEOUT)
    plug.setsockopt(socket.IPPROTO_TCP, _TCP_USER_TIMEOUT, UNANSWERED_MS)
    plug.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return plug


def _opened(client: paramiko.SSHClient, address: HostAddress) -> paramiko.Channel:
    transport = client.get_transport()
    if transport is None:
        raise LinkError(f"{address} closed the connection")
    transport.set_keepalive(KEEP_ALIVE)
    try:
        return transport.open_session(timeout=CONNECT_TIMEOUT)
    except (paramiko.SSHException, OSError, EOFError) as error:
        raise link_failure.of_exception(error, address) from error


@contextmanager
def _beating(session: SshSession, heartbeat: bytes, every: float) -> Iterator[None]:
    """Send the heartbeat from a thread of its own until the block ends."""
    over = threading.Event()

    def beat() -> None:
        while not over.wait(every):
            try:
                session.send_line(heartbeat)
            except LinkError:
                return  # the next call raises it where it can be handled

    thread = threading.Thread(target=beat, name="heartbeat", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


class SshSession:
    """A channel of lines to a command on a host. Use `connected`."""

    def __init__(self, channel: paramiko.Channel, peer: HostAddress) -> None:
        self._channel, self._peer = channel, peer
        self._rest = bytearray()
        self._sending = threading.Lock()
        self._calling = threading.Lock()

    def send_line(self, line: bytes) -> None:
        """Send a line that is not answered.

        Raises:
            LinkError: the connection is gone.
        """
        try:
            with self._sending:
                self._channel.sendall(line + b"\n")
        except (OSError, EOFError, paramiko.SSHException) as error:
            raise ConnectionLostError(f"the connection to {self._peer} broke: {error}") from error

    def call(self, line: bytes) -> bytes:
        """Send a line and return the line that answers it; neither has its newline.

        Raises:
            LinkError: the connection is gone, or no answer comes.
            BusyError: the command ended for it was one session too many.
        """
        with self._calling:
            try:
                self.send_line(line)
            except LinkError as error:
                if self._channel.exit_status_ready():
                    raise self._ended() from error
                raise
            return self._line()

    def _line(self) -> bytes:
        seen = 0
        while (end := self._rest.find(b"\n", seen)) < 0:
            seen = len(self._rest)
            if seen > LINE_LIMIT:
                raise LinkError(f"{self._peer} answers with a line without an end")
            self._rest += self._chunk()
        line = bytes(self._rest[:end])
        del self._rest[: end + 1]
        return line

    def _chunk(self) -> bytes:
        try:
            chunk = self._channel.recv(1 << 16)
        except TimeoutError as error:
            raise LinkError(f"{self._peer} does not answer") from error
        except (OSError, EOFError, paramiko.SSHException) as error:
            raise ConnectionLostError(f"the connection to {self._peer} broke: {error}") from error
        if not chunk:
            raise self._ended()
        return chunk

    def _ended(self) -> HoldstillError:
        """Return why the command ended: one that was one too many says so by its exit code."""
        words = self._last_words()
        # It comes after the end of the output (RFC 4254, 6.10), or never.
        ended = self._channel.status_event.wait(EXIT_PATIENCE)
        status = self._channel.recv_exit_status() if ended else None
        if status == link_failure.NOT_FOUND:
            return link_failure.told(link_failure.NO_HOLDSTILL_THERE, self._peer, words)
        words, _, advice = words.removeprefix("holdstill: ").partition("what to do: ")
        what = f"{self._peer} ended the session" + (f": {words.strip()}" if words else "")
        if status == BusyError.exit_code:
            return BusyError(what)
        kind = LinkError if words else ConnectionLostError  # who has words has a reason
        return kind(
            what,
            hint=f"at the keeper: {advice.strip()}"
            if advice
            else "run it again: what has arrived there is kept. If this stays so, see at the "
            "keeper why (`journalctl -t sshd`, `holdstill status`)",
        )

    def _last_words(self) -> str:
        """Return the command's standard error before it ended, for the message."""
        output = b""
        try:
            self._channel.settimeout(2.0)
            while len(output) < 2000 and (chunk := self._channel.recv_stderr(2000)):
                output += chunk
        except (OSError, EOFError, paramiko.SSHException):
            pass
        return output.decode(errors="backslashreplace").strip()
