"""A keeper whose connection breaks: what is said again on the next one, and what is not."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import (
    BusyError,
    ConnectionLostError,
    LinkError,
    NightOverError,
    PreflightError,
)
from holdstill.model.protocol import Lacking, Proof, RunStarted, SealResult, WantedContent
from holdstill.workflow import rejoin
from holdstill.workflow.rejoin import RejoiningKeeper
from holdstill.workflow.show_possession import ChallengeLostError
from support.keeping import FakeClock

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

BEGUN = RunStarted(run="runrunru", seq=1, previous="", folders=("0",))
CUT = ConnectionLostError("cut")
WANTED = [WantedContent(digest="a", size=1)]
PROOFS = [Proof(digest="a", mac=b"m")]


@dataclass
class Far:
    """A keeper: for each call the errors that it raises before it answers."""

    fails: dict[str, list[Exception]] = field(default_factory=dict)
    calls: list[str] = field(default_factory=list)
    words: set[str] = field(default_factory=set)
    connections: int = 0

    def _called(self, name: str) -> None:
        self.calls.append(name)
        if self.fails.get(name):
            raise self.fails[name].pop(0)

    @contextmanager
    def connected(self) -> Iterator[Far]:
        self.connections += 1
        self._called("connect")
        yield self

    def begin(self, client: str = "") -> RunStarted:
        self.words.add(client)
        self._called("begin")
        return BEGUN

    def lacking(self, wanted: Sequence[WantedContent], folder: int = 0) -> Lacking:
        self._called("lacking")
        return Lacking(prove=("a",), nonce=b"n")

    def prove(self, proofs: Sequence[Proof]) -> tuple[str, ...]:
        self._called("prove")
        return ()

    def seal(self, manifest: bytes, signature: bytes) -> SealResult:
        self._called("seal")
        return SealResult(name="sealed")


def joined(far: Far, check_time: Callable[[], None] = lambda: None) -> RejoiningKeeper:
    clock = FakeClock()
    return RejoiningKeeper(far.connected, clock, check_time=check_time)  # type: ignore[arg-type]


def test_a_call_is_made_again_on_the_next_connection_with_the_same_word() -> None:
    far = Far({"lacking": [CUT]})
    with joined(far) as keeper:
        keeper.begin()
        assert keeper.lacking(WANTED).prove == ("a",)

    assert far.calls == ["connect", "begin", "lacking", "connect", "begin", "lacking"]
    assert len(far.words) == 1
    assert len(far.words.pop()) == 32


def test_a_proof_is_not_shown_on_another_connection_than_its_question() -> None:
    far = Far({"prove": [CUT]})
    with joined(far) as keeper:
        keeper.begin()
        keeper.lacking(WANTED)
        with pytest.raises(ChallengeLostError):
            keeper.prove(PROOFS)
        assert far.calls.count("prove") == 1

        keeper.lacking(WANTED)
        assert keeper.prove(PROOFS) == ()


def test_a_begin_that_was_cut_waits_for_what_it_had_begun() -> None:
    far = Far({"begin": [CUT, BusyError("the session before"), BusyError("still")]})
    with joined(far) as keeper:
        assert keeper.begin() == BEGUN


def test_another_run_is_not_waited_for() -> None:
    with joined(Far({"begin": [BusyError("another run")]})) as keeper, pytest.raises(BusyError):
        keeper.begin()


def test_a_seal_that_goes_on_behind_the_cut_is_waited_for() -> None:
    long = [BusyError("it seals")] * 100
    far = Far({"seal": [CUT], "begin": []})
    with joined(far) as keeper:
        keeper.begin()
        far.fails["begin"] = [*long]
        assert keeper.seal(b"m", b"s").name == "sealed"


def test_anything_else_is_waited_for_some_minutes() -> None:
    far = Far({"lacking": [CUT]})
    with joined(far) as keeper:
        keeper.begin()
        far.fails["begin"] = [BusyError("it seals")] * 100
        with pytest.raises(BusyError):
            keeper.lacking(WANTED)
    assert far.calls.count("begin") == 2 + rejoin.BUSY_TRIES


def test_the_seal_that_was_the_last_one_of_a_day_is_asked_for_again() -> None:
    far = Far({"seal": [CUT]})
    with joined(far) as keeper:
        keeper.begin()
        far.fails["begin"] = [PreflightError("as many captures as it may bring in a day")]
        assert keeper.seal(b"m", b"s").name == "sealed"


def test_what_is_refused_is_refused_for_other_calls() -> None:
    far = Far({"lacking": [CUT]})
    with joined(far) as keeper:
        keeper.begin()
        far.fails["begin"] = [PreflightError("there is no room")]
        with pytest.raises(PreflightError):
            keeper.lacking(WANTED)


def test_a_keeper_that_is_gone_is_given_up() -> None:
    far = Far({"lacking": [CUT]})
    with joined(far) as keeper:
        far.fails["connect"] = [LinkError("no way there")] * 9
        with pytest.raises(LinkError, match="no way there"):
            keeper.lacking(WANTED)
        with pytest.raises(ConnectionLostError):
            keeper.lacking(WANTED)
    assert far.connections == 1 + len(rejoin.PAUSES)


def test_the_end_of_the_night_ends_it() -> None:
    def over() -> None:
        raise NightOverError("it is morning")

    far = Far({"lacking": [CUT]})
    with joined(far, over) as keeper, pytest.raises(NightOverError):
        keeper.lacking(WANTED)
