"""What an SSH key of a reader can make the keeper do: read captures of the boards it may read.

The same control channel as a board's, with the methods that only read, and `choose`, which names
the board; and the rsync that sends what was laid out. Nothing of the store is changed but what is
in the reader's own folder.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError, UsageError
from holdstill.keeper import (
    board_captures,
    enrolment,
    fetch_staging,
    json_rpc,
    readers,
    ssh_command,
)
from holdstill.keeper import forced_command as words
from holdstill.keeper.board_captures import SIGNATURE, BoardCaptures
from holdstill.keeper.ssh_server import CallServer
from holdstill.model import names
from holdstill.model.protocol import BATCH, PROTOCOL, Hello
from holdstill.system import clocks, debian_packages, files
from holdstill.version import VERSION

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.keeper.json_rpc import Call
    from holdstill.keeper.store import Store
    from holdstill.model.protocol import CaptureBrief
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner


class ReadingKeeper:
    """The captures that one reader may read, one board at a time."""

    def __init__(
        self, store: Store, name: str, key: str, *, clock: Clock, runner: Runner, min_free: int
    ) -> None:
        self._store, self._name, self._key = store, name, key
        self._clock, self._runner = clock, runner
        self._room = readers.Room(store, min_free)
        self._board: str = ""

    def check_in_use(self) -> None:
        """Check that the key may still come in, and read the board that it has chosen.

        Raises:
            SecurityError: it may not.
        """
        self._reader()

    def _reader(self) -> readers.Reader:
        found = readers.check_in_use(self._store, self._name, self._key)
        if self._board and not found.may_read(self._board):
            raise SecurityError(f"reader {self._name} may not read board {self._board} any more")
        return found

    def hello(self) -> Hello:
        """Return which boards may be read, and of the chosen one which keys sign for it."""
        reader = self._reader()
        chosen = names.check_board(self._board) if self._board else None
        keys = () if chosen is None else enrolment.read(self._store, chosen).every_key
        return Hello(
            protocol=PROTOCOL,
            board=self._board,
            free_bytes=0,
            free_inodes=0,
            now=clocks.rfc3339(self._clock.now()),
            keys=keys,
            version=VERSION,
            missing=debian_packages.missing(("rsync",)),
            readable=readers.readable(self._store, reader),
        )

    def choose(self, board: str) -> Hello:
        """Read this board's captures from now on.

        Raises:
            SecurityError: this reader may not, whether or not there is such a board.
        """
        if board not in readers.readable(self._store, self._reader()):
            raise SecurityError(
                f"there is no board {board[:63]!r} that reader {self._name} may read"
            )
        self._board = board
        return self.hello()

    def captures(self) -> tuple[CaptureBrief, ...]:
        """List the board's captures, oldest first."""
        return self._shelf().briefs()

    def manifest(self, name: str) -> bytes:
        """Return a capture's manifest, as it was signed."""
        return self._shelf().capture(name).manifest_bytes()

    def signature(self, name: str) -> bytes:
        """Return the signature of a capture's manifest."""
        return files.read_regular(self._shelf().capture(name).folder / SIGNATURE)

    def stage(self, name: str, digests: Sequence[str]) -> Path:
        """Prepare contents of a capture for fetching; return their directory.

        Raises:
            SecurityError: the capture is not to be trusted.
            VerificationError: it has no such content.
        """
        if len(digests) > BATCH:
            raise UsageError(f"{len(digests)} digests in one call; at most {BATCH}")
        capture = board_captures.check_good(self._shelf().capture(name))
        checked = [names.check_digest(digest) for digest in digests]
        top = readers.folder(self._store, self._name) / fetch_staging.NAME
        return fetch_staging.lay_out(self._store, capture, checked, account=self._room, top=top)

    def _shelf(self) -> BoardCaptures:
        self._reader()
        if not self._board:
            raise UsageError("no board was chosen")
        return BoardCaptures(self._store, names.check_board(self._board), self._runner)


class ReaderServer(CallServer):
    """Answers a reader's calls."""

    def __init__(self, keeper: ReadingKeeper, store: Store, folder: Path, *, clock: Clock) -> None:
        super().__init__(keeper, store, folder, clock=clock)
        self._keeper = keeper

    def _result(self, call: Call) -> object:
        if call.method == "choose":
            return self._keeper.choose(json_rpc.read_params(call, json_rpc.NameParams).name)
        return super()._result(call)


def parse(original: str) -> words.ControlRequest | words.Fetch:
    """Return what a reader's key asks for.

    Raises:
        SecurityError: it is anything but to read.
    """
    wish = words.parse(original)
    if isinstance(wish, words.ReceiveRequest):
        raise SecurityError("a reader's key sends nothing")
    return wish


def serve(
    store: Store,
    name: str,
    original: str,
    *,
    key: str,
    clock: Clock,
    runner: Runner,
    min_free: int,
) -> None:
    """Do what a reader's key was used for, if it may; an rsync takes this process's place.

    Raises:
        SecurityError: it may not.
    """
    os.umask(0o077)
    place = readers.folder(store, name)
    match parse(original):
        case words.Fetch() as wish:
            ssh_command.become_sender(wish, place / fetch_staging.NAME)
        case words.ControlRequest():
            keeper = ReadingKeeper(store, name, key, clock=clock, runner=runner, min_free=min_free)
            ReaderServer(keeper, store, place, clock=clock).run(0, 1)
