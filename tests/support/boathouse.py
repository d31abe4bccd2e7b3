"""A keeper that boards reach through a real sshd, for ssh tests and measurements."""

from __future__ import annotations

import fcntl
import os
import sys
import tempfile
import time
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.keeper import (
    authorized_keys,
    enrolment,
    forced_command,
    json_rpc,
    session_slots,
    store,
)
from holdstill.keeper.remote import RemoteKeeper
from holdstill.model import names
from holdstill.model.store_address import HostAddress
from holdstill.records import signature
from holdstill.system import files
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.transport import ssh_session
from holdstill.transport.identity import Identity
from holdstill.transport.rsync import RsyncEndpoint, RsyncTransfer
from support import forced, keeping, keys, sshd
from support.keeping import Board, FakeClock

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from support.keys import KeyPair

PROGRAM = (sys.executable, forced.__file__)


@dataclass
class Boathouse:
    """A running server, its store, and the boards that may come."""

    server: sshd.Sshd
    store: Store
    folder: Path
    keys: dict[BoardName, KeyPair] = field(default_factory=dict)
    wire_bytes: int = 0
    program: tuple[str, ...] = PROGRAM

    @property
    def address(self) -> HostAddress:
        """Where boards reach it."""
        return HostAddress(self.server.user, self.server.host, self.server.port)

    def enrol(self, name: str) -> BoardName:
        """Make a key for a board and let it in."""
        return self.enrol_with(name, keys.make_key(self.folder / f"{name}_key"))

    def enrol_with(self, name: str, pair: KeyPair) -> BoardName:
        """Let a board in with this key."""
        board = names.check_board(name)
        enrolment.enrol(self.store, board, pair.public, clock=SystemClock(), limits=None)
        self.keys[board] = pair
        self.server.authorize(*(self._line(b, k) for b, k in self.keys.items()))
        return board

    def _line(self, board: BoardName, pair: KeyPair) -> str:
        return authorized_keys.authorized_line(
            self.store, board, pair.public, program=self.program
        )

    def identity(self, board: BoardName) -> Identity:
        """Return the board's key and its trust in this server."""
        return Identity(self.keys[board].private, self.server.known_hosts)

    def bulk(self, board: BoardName) -> RsyncTransfer:
        """Return the board's way of sending files."""
        way = RsyncEndpoint(self.address, self.identity(board))
        return RsyncTransfer(way, memory=Path("/dev/shm"), clock=SystemClock(), attempts=1)  # noqa: S108

    @contextmanager
    def keeper(self, board: BoardName, *, every: float = 30.0) -> Iterator[RemoteKeeper]:
        """Hold the board's control channel open."""
        with ssh_session.connected(
            self.address,
            self.identity(board),
            command=forced_command.CONTROL,
            heartbeat=json_rpc.ALIVE,
            every=every,
        ) as channel:
            yield RemoteKeeper(channel)

    def sign(self, board: BoardName, data: bytes) -> bytes:
        """Sign a manifest with the board's key."""
        return signature.sign(data, self.keys[board].private, LocalRunner())

    def board(self, keeper: RemoteKeeper, name: BoardName) -> Board[RemoteKeeper]:
        """Return a board that captures through this channel, its own key and rsync."""

        def carry(files: Mapping[str, bytes], destination: str) -> None:
            with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
                keeping.put(files, folder)
                paths = {wanted: Path(folder, wanted) for wanted in files}
                self.wire_bytes += self.bulk(name).send(paths, destination).wire_bytes

        return Board(
            keeper,
            name=name,
            clock=FakeClock(SystemClock().now()),
            sign=lambda data: self.sign(name, data),
            carry=carry,
        )

    def wait_until_left_alone(self, board: BoardName) -> None:
        """Return when no session of a board is left, nor what the keeper does after one."""
        end = time.monotonic() + 60
        for name in session_slots.NAMES:
            with (
                suppress(FileNotFoundError),
                files.opened(self.store.board_folder(board) / name, os.O_RDWR) as slot,
            ):
                while not _is_free(slot):
                    assert time.monotonic() < end, f"{board} is still served"
                    time.sleep(0.05)

    def ssh(self, board: BoardName) -> list[str]:
        """Return the words of an SSH client with the board's key, before the host's command."""
        plain = self.server.client()
        key = os.fspath(self.keys[board].private)
        return [key if w == os.fspath(self.server.client_key) else w for w in plain]


def _is_free(slot: int) -> bool:
    try:
        fcntl.flock(slot, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


@contextmanager
def running(folder: Path, program: tuple[str, ...] = PROGRAM) -> Iterator[Boathouse]:
    """Run a keeper whose files all lie in a new folder below this one.

    program is what sshd starts for a board.
    """
    (folder / "server").mkdir()
    with sshd.running(folder / "server") as server:
        held = store.create(folder / "boathouse", clock=SystemClock())
        yield Boathouse(server, held, folder, program=program)
