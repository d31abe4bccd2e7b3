"""The keeper at the other end of a line channel: the same methods as in this process."""

from __future__ import annotations

import itertools
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Protocol, TypeVar

from holdstill.errors import LinkError, PreflightError, UsageError
from holdstill.keeper import json_rpc
from holdstill.model import names
from holdstill.model.manifest_check import SEQ_MAX
from holdstill.model.names import CaptureName
from holdstill.model.protocol import (
    NONCE,
    PROTOCOL,
    CaptureBrief,
    Hello,
    Ingested,
    Lacking,
    RunStarted,
    SealResult,
)
from holdstill.version import VERSION

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Sequence

    from holdstill.model.layout import Record
    from holdstill.model.protocol import Proof, WantedContent

T = TypeVar("T")


class Channel(Protocol):
    """Carries one line there and one back."""

    def call(self, line: bytes) -> bytes:
        """Send a line, without its newline, and return the line that answers it."""


class RemoteKeeper:
    """A keeper behind a channel. Threads may share it; their calls take turns."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._numbers = itertools.count(1)
        self._turn = threading.Lock()

    def hello(self) -> Hello:
        """Learn who answers, how much room there is, and what to build on.

        Raises:
            PreflightError: the keeper speaks another version of the protocol.
        """
        hello = self._call("hello", json_rpc.Nothing(), Hello)
        if hello.protocol != PROTOCOL:
            raise PreflightError(
                f"the keeper (holdstill {hello.version or 'of an older version'}) speaks protocol "
                f"{hello.protocol}, this holdstill ({VERSION}) {PROTOCOL}",
                hint="install the same version of holdstill at both ends, on the keeper first",
            )
        return hello

    def choose(self, board: str) -> Hello:
        """Of a reader's key: read this board's captures from now on; return as hello does."""
        return self._call("choose", json_rpc.NameParams(name=board), Hello)

    def begin(self, client: str = "") -> RunStarted:
        """Begin a run, or go on with one that was cut off; client: see `LocalKeeper.begin`."""
        started = self._call("begin", json_rpc.BeginParams(client=client), RunStarted)
        if not 1 <= started.seq <= SEQ_MAX:
            raise _nonsense(f"a capture cannot have the number {started.seq}")
        if not started.folders:
            raise _nonsense("there is no folder to send to")
        return started

    def lacking(self, wanted: Sequence[WantedContent], folder: int = 0) -> Lacking:
        """Return which of these contents must be sent, and which must be proven."""
        params = json_rpc.WantedParams(wanted=tuple(wanted), folder=folder)
        lacking = _with_nonce(self._call("lacking", params, Lacking))
        _among((*lacking.send, *lacking.prove), {content.digest for content in wanted})
        return lacking

    def prove(self, proofs: Sequence[Proof]) -> tuple[str, ...]:
        """Have proofs checked; return which contents must be sent all the same."""
        params = json_rpc.ProofsParams(proofs=tuple(proofs))
        unproven = self._call("prove", params, tuple[str, ...])
        return _among(unproven, {proof.digest for proof in proofs})

    def ingest(self, digests: Sequence[str], folder: int = 0, *, is_cut: bool = False) -> Ingested:
        """Have the keeper check what arrived and take it over."""
        params = json_rpc.IngestParams(digests=tuple(digests), folder=folder, is_cut=is_cut)
        ingested = self._call("ingest", params, Ingested)
        _among(ingested.bad, digests)
        return ingested

    def seal(self, manifest: bytes, signature: bytes) -> SealResult:
        """Make the capture visible, whole, or learn what is lacking."""
        params = json_rpc.SealParams(manifest=manifest, signature=signature)
        answer = self._call("seal", params, SealResult)
        lacking = _with_nonce(answer.lacking)
        _checked(names.check_digest, (*lacking.send, *lacking.prove))
        return answer

    def abandon(self) -> None:
        """End the run without a capture; what arrived stays for the next one.

        That the connection is gone, or that a call before was broken off and its answer comes
        now, is no failure: at the end of the session, the keeper does the same by itself.
        """
        with suppress(LinkError):
            self._call("abandon", json_rpc.Nothing(), type(None))

    def captures(self) -> tuple[CaptureBrief, ...]:
        """Return this board's captures, oldest first."""
        briefs = self._call("captures", json_rpc.Nothing(), tuple[CaptureBrief, ...])
        _checked(CaptureName.parse, [brief.name for brief in briefs])
        return briefs

    def manifest(self, name: str) -> bytes:
        """Return a capture's manifest, as it was signed."""
        return self._call("manifest", json_rpc.NameParams(name=name), bytes)

    def signature(self, name: str) -> bytes:
        """Return the signature of a capture's manifest."""
        return self._call("signature", json_rpc.NameParams(name=name), bytes)

    def stage(self, name: str, digests: Sequence[str]) -> str:
        """Have contents of a capture laid out for fetching; return the folder, for rsync."""
        return self._call("stage", json_rpc.StageParams(name=name, digests=tuple(digests)), str)

    def _call(self, method: str, params: Record, kind: type[T]) -> T:
        with self._turn:
            number = next(self._numbers)
            answer = self._channel.call(json_rpc.call_line(number, method, params))
        return json_rpc.read_reply(answer, number, kind)


def _among(answer: tuple[str, ...], asked: Collection[str]) -> tuple[str, ...]:
    """Return an answer that can only repeat what was asked; anything else would be looked for."""
    if strange := set(answer).difference(asked):
        raise _nonsense(f"it was not asked for {min(strange)[:64]!r}")
    return answer


def _with_nonce(lacking: Lacking) -> Lacking:
    """Return an answer that asks for proofs with a nonce of the right length, or for none."""
    if lacking.prove and len(lacking.nonce) != NONCE:
        raise _nonsense(f"a nonce of {len(lacking.nonce)} bytes")
    return lacking


def _checked(check: Callable[[str], object], texts: Iterable[str]) -> None:
    try:
        for text in texts:
            check(text)
    except UsageError as error:
        raise _nonsense(str(error)) from error


def _nonsense(why: str) -> LinkError:
    return LinkError(
        f"the keeper's answer makes no sense: {why}",
        hint="see that the keeper is the one that you mean, and of the same version",
    )
