"""The control channel: the keeper's methods for one board, as JSON-RPC, line by line."""

from __future__ import annotations

import os
import select
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, Protocol

import msgspec

from holdstill.errors import HoldstillError, SecurityError
from holdstill.keeper import fetch_staging, json_rpc, refused_commands, session_slots
from holdstill.model.protocol import MESSAGE_LIMIT

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from holdstill.keeper.json_rpc import Call
    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.protocol import CaptureBrief, Hello
    from holdstill.system.clocks import Clock

LAID_OUT_EACH = fetch_staging.LAID_OUT_MOST // (session_slots.SLOTS + 1)
"""Folders that a session may have laid out at a time."""


class Patience(NamedTuple):
    """How many seconds a session is waited for; it is over when any of them have passed.

    Attributes:
        silence: without a byte; a board says every 30 that it is there.
        line: for one message to be whole, or one answer to be read; 8 MiB at 10 kB/s take less.
        call: with no more than word that the board is there. Between two calls lies a batch that
            takes minutes (workflow.line_meter), or one content of 16 MiB: that is 800 bytes a
            second, and line_settings.LEAST is more.
    """

    silence: float = 180.0
    line: float = 900.0
    call: float = 6 * 3600.0


USUAL = Patience()
LOOK_EVERY = 1.0
"""Seconds between two looks whether the board goes on in another session."""


class LineReader:
    """Lines from a descriptor, of limited length, with limited patience.

    is_over: is asked now and then while there is nothing to read; True ends it.
    """

    def __init__(
        self,
        handle: int,
        *,
        limit: int,
        patience: Patience,
        clock: Clock,
        is_over: Callable[[], bool] = lambda: False,
    ) -> None:
        self._handle, self._limit, self._patience = handle, limit, patience
        self._clock, self._is_over = clock, is_over
        self._rest = bytearray()

    def next(self, *, by: float) -> bytes | None:
        """Return a line without its newline; None when the other side is gone.

        It is gone as well when the monotonic clock says `by`, or a line is not whole in time.

        Raises:
            SecurityError: it is longer than a line may be.
        """
        seen, end_by = 0, min(by, self._clock.monotonic() + self._patience.line)
        while (end := self._rest.find(b"\n", seen)) < 0:
            seen = len(self._rest)
            if seen > self._limit:
                raise SecurityError(f"a message of more than {self._limit} bytes")
            patience = min(self._patience.silence, end_by - self._clock.monotonic())
            chunk = os.read(self._handle, 1 << 16) if self._is_ready(patience) else b""
            if not chunk:
                return None
            self._rest += chunk
        line = bytes(self._rest[:end])
        del self._rest[: end + 1]
        return line

    def _is_ready(self, seconds: float) -> bool:
        while True:
            step = min(LOOK_EVERY, max(0.0, seconds))
            if select.select([self._handle], [], [], step)[0]:
                return True
            seconds -= step
            if seconds <= 0 or self._is_over():
                return False


def _is_taken(target: int, answer: bytes, *, patience: Patience, clock: Clock) -> bool:
    """Write an answer; return whether the other side took it in time."""
    view, by = memoryview(answer), clock.monotonic() + patience.line
    while view:
        seconds = min(patience.silence, by - clock.monotonic())
        if not select.select([], [target], [], max(0.0, seconds))[1]:
            return False
        # As much as cannot block, of what select(2) calls ready (pipe(7), PIPE_BUF).
        view = view[os.write(target, view[: select.PIPE_BUF]) :]
    return True


class ReadService(Protocol):
    """What may be read by whoever came in, and whether that key is still let in."""

    def check_in_use(self) -> None:
        """Raise SecurityError if the key was withdrawn."""

    def hello(self) -> Hello:
        """Return who came in, and how it stands."""

    def captures(self) -> tuple[CaptureBrief, ...]:
        """Return the captures of the board, oldest first."""

    def manifest(self, name: str) -> bytes:
        """Return a capture's manifest."""

    def signature(self, name: str) -> bytes:
        """Return a manifest's signature."""

    def stage(self, name: str, digests: Sequence[str]) -> Path:
        """Prepare contents of a capture for fetching."""


class CallServer:
    """Answers calls that read; what is refused is noted in a folder's refusals.jsonl."""

    def __init__(self, service: ReadService, store: Store, folder: Path, *, clock: Clock) -> None:
        self._service = service
        self._store, self._folder, self._clock = store, folder, clock
        self._staged_folders: list[Path] = []

    def run(self, source: int, target: int, *, patience: Patience = USUAL) -> None:
        """Answer line by line until the other side is gone, or calls for nothing any more.

        Raises:
            SecurityError: a line is longer than a line may be, or the key was withdrawn.
        """
        lines = LineReader(
            source, limit=MESSAGE_LIMIT, patience=patience, clock=self._clock,
            is_over=self._is_over,
        )  # fmt: skip
        over = self._clock.monotonic() + patience.call
        try:
            while (line := lines.next(by=over)) is not None:
                answer = self.answer(line)
                if answer is not None:
                    taken = _is_taken(target, answer + b"\n", patience=patience, clock=self._clock)
                    if not taken:
                        return
                    over = self._clock.monotonic() + patience.call
                self._service.check_in_use()
        except BrokenPipeError:
            return
        finally:
            for folder in self._staged_folders:
                self._store.discard(folder)

    def _is_over(self) -> bool:
        return False

    def answer(self, line: bytes) -> bytes | None:
        """Answer one line; None for a notification."""
        try:
            call = json_rpc.read_call(line)
        except SecurityError as error:
            self._note(error)
            return json_rpc.error_line(None, error, code=json_rpc.INVALID_REQUEST)
        if call.id is None:
            return None
        try:
            return json_rpc.result_line(call.id, self._result(call))
        except SecurityError as error:
            self._note(error)
            return json_rpc.error_line(call.id, error)
        except HoldstillError as error:
            return json_rpc.error_line(call.id, error)

    def _note(self, error: SecurityError) -> None:
        refused_commands.note(self._store, self._folder, str(error), clock=self._clock)

    def _result(self, call: Call) -> object:
        """Call the method that is named, from a fixed list: those that only read."""
        match call.method:
            case "hello":
                json_rpc.read_params(call, json_rpc.Nothing)
                return self._service.hello()
            case "captures":
                json_rpc.read_params(call, json_rpc.Nothing)
                return self._service.captures()
            case "manifest":
                return self._service.manifest(json_rpc.read_params(call, json_rpc.NameParams).name)
            case "signature":
                name = json_rpc.read_params(call, json_rpc.NameParams).name
                return self._service.signature(name)
            case "stage":
                wish = json_rpc.read_params(call, json_rpc.StageParams)
                # Its own oldest goes first, not what another session fetches just now.
                while len(self._staged_folders) >= LAID_OUT_EACH:
                    self._store.discard(self._staged_folders.pop(0))
                folder = self._service.stage(wish.name, wish.digests)
                self._staged_folders.append(folder)
                return f"outgoing/{folder.name}"
            case _:
                raise SecurityError(f"no such method: {call.method[:40]!r}")


class SshServer(CallServer):
    """Answers calls with the methods of one board's keeper."""

    def __init__(
        self, keeper: LocalKeeper, store: Store, board: BoardName, *, clock: Clock
    ) -> None:
        super().__init__(keeper, store, store.board_folder(board), clock=clock)
        self._keeper = keeper

    def _is_over(self) -> bool:
        """Whether the board goes on in another session."""
        return self._keeper.is_wanted()

    def _result(self, call: Call) -> object:
        """Call the method that is named, from a fixed list."""
        match call.method:
            case "begin":
                client = json_rpc.read_params(call, json_rpc.BeginParams).client
                # Begin; the folder is named as the rsync of a forced command knows them.
                begun = self._keeper.begin(client)
                return msgspec.structs.replace(
                    begun,
                    folders=tuple(
                        f"incoming/{begun.run}/{Path(folder).name}" for folder in begun.folders
                    ),
                )
            case "lacking":
                asked = json_rpc.read_params(call, json_rpc.WantedParams)
                return self._keeper.lacking(asked.wanted, asked.folder)
            case "prove":
                return self._keeper.prove(json_rpc.read_params(call, json_rpc.ProofsParams).proofs)
            case "ingest":
                arrived = json_rpc.read_params(call, json_rpc.IngestParams)
                return self._keeper.ingest(arrived.digests, arrived.folder, is_cut=arrived.is_cut)
            case "seal":
                sealing = json_rpc.read_params(call, json_rpc.SealParams)
                return self._keeper.seal(sealing.manifest, sealing.signature)
            case "abandon":
                json_rpc.read_params(call, json_rpc.Nothing)
                self._keeper.abandon()
                return None
            case _:
                return super()._result(call)
