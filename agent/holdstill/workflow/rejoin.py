"""A keeper behind a line that breaks: it is reached again, and the run goes on where it was.

Within a run only: what the keeper has begun it keeps for whoever comes with the same key, and each
call may be made once more without harm. Inside the pause nothing is called.
"""

from __future__ import annotations

import secrets
import threading
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING, Self, TypeVar

from holdstill.errors import BusyError, ConnectionLostError, LinkError, PreflightError
from holdstill.workflow.show_possession import ChallengeLostError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from contextlib import AbstractContextManager

    from holdstill.model.protocol import (
        CaptureBrief,
        Hello,
        Ingested,
        Lacking,
        Proof,
        RunStarted,
        SealResult,
        WantedContent,
    )
    from holdstill.system.clocks import Clock
    from holdstill.workflow.ports import Keeper

T = TypeVar("T")
PAUSES = (1.0, 5.0, 15.0)
"""Seconds before each try to reach a keeper again."""
CALL_TRIES = 10
"""Connections that a single call may break."""
BUSY_PAUSE, BUSY_TRIES = 15.0, 16
"""A keeper that does not know our word, or is in the middle of a call, has ended in three minutes
what was on the connection that is gone."""
SEAL_TRIES = 960
"""The same after a cut while it seals: it goes on with that, for as long as ssh_session waits for
an answer."""


class RejoiningKeeper:
    """A keeper that is reached again when the connection is lost. Threads may share it.

    A context manager: leaving it closes the connection.

    Args:
        connect: opens a connection.
        check_time: raises NightOverError when the run may not go on.
        warn: is told of each connection that was lost.
    """

    def __init__(
        self,
        connect: Callable[[], AbstractContextManager[Keeper]],
        clock: Clock,
        *,
        check_time: Callable[[], None] = lambda: None,
        warn: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._connect, self._clock = connect, clock
        self._check_time, self._warn = check_time, warn
        self._turn = threading.Lock()
        self._connection = ExitStack()
        self._keeper: Keeper | None = None
        self._started: RunStarted | None = None
        self._word = secrets.token_hex(16)
        self._joined = self._asked = 0

    def __enter__(self) -> Self:
        self._keeper = self._connection.enter_context(self._connect())
        return self

    def __exit__(self, *exception: object) -> None:
        self._connection.close()

    def hello(self) -> Hello:
        """Return the keeper's state, and which board it takes us for."""
        return self._called(lambda keeper: keeper.hello())

    def begin(self, client: str = "") -> RunStarted:
        """Begin a run, or go on with one that was cut off; with a word of its own."""
        self._word = client or self._word
        self._started = self._called(lambda keeper: keeper.begin(self._word))
        return self._started

    def lacking(self, wanted: Sequence[WantedContent], folder: int = 0) -> Lacking:
        """Return which of these contents must be sent, and which must be proven."""

        def ask(keeper: Keeper) -> Lacking:
            answer = keeper.lacking(wanted, folder)
            self._asked = self._joined
            return answer

        return self._called(ask)

    def prove(self, proofs: Sequence[Proof]) -> tuple[str, ...]:
        """Check proofs of what the last question asked for.

        Raises:
            ChallengeLostError: that was on another connection, where they prove nothing.
        """

        def show(keeper: Keeper) -> tuple[str, ...]:
            if self._asked != self._joined:
                raise ChallengeLostError("the connection broke between a question and its proof")
            return keeper.prove(proofs)

        return self._called(show)

    def ingest(self, digests: Sequence[str], folder: int = 0, *, is_cut: bool = False) -> Ingested:
        """Check what arrived, from the keeper's own disk, and take it into the store."""
        return self._called(lambda keeper: keeper.ingest(digests, folder, is_cut=is_cut))

    def seal(self, manifest: bytes, signature: bytes) -> SealResult:
        """Make the capture visible, whole, or return what is lacking."""
        return self._called(lambda keeper: keeper.seal(manifest, signature), is_seal=True)

    def captures(self) -> tuple[CaptureBrief, ...]:
        """Return this board's captures, oldest first."""
        return self._called(lambda keeper: keeper.captures())

    def abandon(self) -> None:
        """End the run without a capture; what arrived stays for the next one."""
        if self._keeper is not None:
            self._keeper.abandon()

    def _called(self, call: Callable[[Keeper], T], *, is_seal: bool = False) -> T:
        lost: ConnectionLostError | None = None
        tries, busy = CALL_TRIES, 0
        with self._turn:
            while True:
                try:
                    return call(self._reached())
                except ConnectionLostError as error:
                    lost, tries = error, tries - 1
                    if not tries or self._keeper is None:
                        raise
                    self._rejoin(error, is_seal=is_seal)
                except BusyError:  # with what the first try of this call has begun
                    busy += 1
                    if lost is None or busy > BUSY_TRIES:
                        raise
                    self._check_time()
                    self._clock.sleep(BUSY_PAUSE)

    def _reached(self) -> Keeper:
        """Return the keeper, unless it was given up."""
        if self._keeper is None:
            raise ConnectionLostError("the connection to the keeper is lost")
        return self._keeper

    def _rejoin(self, lost: ConnectionLostError, *, is_seal: bool) -> None:
        """Reach the keeper again, and have it go on with the same run.

        Raises:
            LinkError: it cannot be reached, or has another run now.
            BusyError: it does not end what it did when the connection broke.
        """
        self._warn(f"{lost}; trying to reach the keeper again")
        failure: LinkError | BusyError = lost
        tries, busy = iter(PAUSES), 0
        busy_tries = SEAL_TRIES if is_seal else BUSY_TRIES
        while True:
            pause = BUSY_PAUSE if isinstance(failure, BusyError) else next(tries, None)
            if pause is None or busy > busy_tries:
                raise failure
            with suppress(LinkError):
                self._connection.close()
            self._keeper = None
            self._check_time()
            self._clock.sleep(pause)
            try:
                keeper = self._connection.enter_context(self._connect())
                self._go_on(keeper, lost, is_seal=is_seal)
            except BusyError as error:
                failure, busy, tries = error, busy + 1, iter(PAUSES)
            except LinkError as error:
                failure = error
            else:
                self._keeper, self._joined = keeper, self._joined + 1
                return

    def _go_on(self, keeper: Keeper, lost: LinkError, *, is_seal: bool) -> None:
        """Have the keeper go on with our run, if one has begun."""
        if self._started is None:
            return
        try:
            begun = keeper.begin(self._word)
        except PreflightError:
            # It takes no further capture today, and may have sealed this one: it will say so.
            if not is_seal:
                raise
            return
        self._check_same(begun, lost, is_seal=is_seal)

    def _check_same(self, begun: RunStarted, lost: LinkError, *, is_seal: bool) -> None:
        """Check that the keeper goes on with our run; one that it has sealed is over there."""
        if begun != self._started and not is_seal:
            raise LinkError(
                f"{lost}, and the keeper has another run since",
                hint="run it again: what has arrived there is kept",
            )
