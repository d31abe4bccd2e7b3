"""Batches on their way to the keeper: what happens at the same time, and what never does."""

from __future__ import annotations

import threading
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

import pytest

from holdstill.errors import ConnectionLostError, LinkError
from holdstill.model.protocol import Ingested, Lacking, RunStarted, WantedContent
from holdstill.transport.rsync import TransferMode, TransferResult
from holdstill.workflow.delivery import PAUSES, Delivery, TransferStats
from holdstill.workflow.show_possession import ChallengeLostError
from support.keeping import FakeClock

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from holdstill.model.protocol import Proof

WAIT = 20.0
"""Seconds until a test is given up."""


@dataclass(frozen=True)
class OneFile:
    """A batch of one content, named by a digit."""

    digest: str

    @property
    def wanted(self) -> Sequence[WantedContent]:
        return [WantedContent(digest=self.digest, size=1)]

    def keyed(self, digest: str, nonce: bytes) -> bytes | None:
        raise AssertionError("nobody asked for a proof")

    @contextmanager
    def laid_out(
        self, digests: Collection[str]
    ) -> Iterator[Mapping[TransferMode, Mapping[str, Path]]]:
        yield {TransferMode.PLAIN: {digest: Path("/", digest) for digest in digests}}


@dataclass
class Keeper:
    """Notes what it is asked; takes over a content only when it may."""

    deeds: list[str] = field(default_factory=list)
    held_back: dict[str, threading.Event] = field(default_factory=dict)
    known: frozenset[str] = frozenset()

    def lacking(self, wanted: Sequence[WantedContent], folder: int = 0) -> Lacking:
        self.deeds += [f"ask {item.digest} for {folder}" for item in wanted]
        return Lacking(send=tuple(i.digest for i in wanted if i.digest not in self.known))

    def prove(self, proofs: Sequence[Proof]) -> tuple[str, ...]:
        raise AssertionError("nothing was to be proven")

    def ingest(self, digests: Sequence[str], folder: int = 0, *, is_cut: bool = False) -> Ingested:
        if is_cut:
            return Ingested(kept=0, new_bytes=0, bad=tuple(digests))
        for digest in digests:
            if digest in self.held_back:
                assert self.held_back[digest].wait(WAIT)
        self.deeds += [f"take {digest} from {folder}" for digest in digests]
        return Ingested(kept=len(digests), new_bytes=len(digests))


@dataclass
class Transfer:
    """Notes what it sends; lets somebody know."""

    keeper: Keeper
    sent: dict[str, threading.Event] = field(default_factory=dict)
    fails: frozenset[str] = frozenset()

    def send(
        self, files: Mapping[str, Path], destination: str, *, shape: TransferMode
    ) -> TransferResult:
        for digest in files:
            if digest in self.fails:
                raise LinkError("the link is gone")
            self.keeper.deeds.append(f"send {digest} to {destination}")
            self.sent.setdefault(digest, threading.Event()).set()
        return TransferResult(10)


def delivery(keeper: Keeper, transfer: Transfer, stats: TransferStats) -> Delivery:
    begun = RunStarted(run="runrunru", seq=1, previous="", folders=("0", "1"))
    return Delivery(keeper=keeper, transfer=transfer, run=begun, stats=stats)  # type: ignore[arg-type]


def test_one_batch_is_sent_while_the_one_before_it_is_taken_over() -> None:
    keeper = Keeper(held_back={"a": threading.Event()})
    transfer = Transfer(keeper, {"b": threading.Event()})
    with delivery(keeper, transfer, stats := TransferStats()) as line:
        first, second = line.put(OneFile("a")), line.put(OneFile("b"))
        assert transfer.sent["b"].wait(WAIT)
        assert not first.done()
        keeper.held_back["a"].set()

        assert (first.result().kept, second.result().kept) == (1, 1)
    assert stats.wire_bytes == 20


def test_a_folder_is_filled_again_only_when_it_was_taken_over() -> None:
    keeper = Keeper(held_back={"a": threading.Event()})
    transfer = Transfer(keeper, {"b": threading.Event()})
    with delivery(keeper, transfer, TransferStats()) as line:
        delivered = [line.put(OneFile(digest)) for digest in "abc"]
        assert transfer.sent["b"].wait(WAIT)
        keeper.held_back["a"].set()
        for one in delivered:
            one.result()

    after = keeper.deeds.index("take a from 0")
    assert "send c to 0" in keeper.deeds[after:]
    assert [deed for deed in keeper.deeds if deed.startswith("take")] == [
        "take a from 0", "take b from 1", "take c from 0",
    ]  # fmt: skip


def test_what_the_keeper_has_is_neither_sent_nor_taken_over() -> None:
    keeper = Keeper(known=frozenset("a"))
    with delivery(keeper, Transfer(keeper), TransferStats()) as line:
        assert line.put(OneFile("a")).result() == Ingested(kept=0, new_bytes=0)

    assert keeper.deeds == ["ask a for 0"]


def test_a_link_that_breaks_ends_all_that_comes_after() -> None:
    keeper = Keeper()
    with delivery(keeper, Transfer(keeper, fails=frozenset("a")), TransferStats()) as line:
        delivered = [line.put(OneFile(digest)) for digest in "abc"]

        with pytest.raises(LinkError, match="the link is gone"):
            delivered[0].result()
        with pytest.raises(LinkError, match="the link is gone"):
            delivered[2].result()  # its folder holds what is left of the first

    assert not [deed for deed in keeper.deeds if deed.startswith(("send c", "take c", "take a"))]


@dataclass
class Cutting(Transfer):
    """Breaks so many times before each content, having moved so much or nothing."""

    breaks: dict[str, list[int]] = field(default_factory=dict)

    def send(
        self, files: Mapping[str, Path], destination: str, *, shape: TransferMode
    ) -> TransferResult:
        for digest in files:
            if self.breaks.get(digest):
                raise ConnectionLostError("cut", moved=self.breaks[digest].pop(0))
        return super().send(files, destination, shape=shape)


def slept(keeper: Keeper, transfer: Transfer) -> Delivery:
    begun = RunStarted(run="runrunru", seq=1, previous="", folders=("0", "1"))
    stats, clock = TransferStats(), FakeClock()
    return Delivery(keeper=keeper, transfer=transfer, run=begun, stats=stats, clock=clock)  # type: ignore[arg-type]


def test_a_line_that_is_cut_again_and_again_and_moves_is_no_failure() -> None:
    transfer = Cutting(keeper := Keeper(), breaks={"a": [*range(1, 30)]})
    with slept(keeper, transfer) as line:
        assert line.put(OneFile("a")).result().kept == 1


def test_a_line_on_which_nothing_moves_is_given_up() -> None:
    transfer = Cutting(keeper := Keeper(), breaks={"a": [0] * 30})
    with slept(keeper, transfer) as line, pytest.raises(ConnectionLostError):
        line.put(OneFile("a")).result()

    assert len(transfer.breaks["a"]) == 30 - 1 - len(PAUSES)


def test_one_transfer_without_a_turn_lives_while_the_other_one_moves() -> None:
    met = threading.Barrier(2, timeout=WAIT)

    class Unfair(Transfer):
        """The first content moves at each try; the second never does, ten times."""

        counts: ClassVar[dict[str, int]] = {"a": 0, "b": 0}

        def send(
            self, files: Mapping[str, Path], destination: str, *, shape: TransferMode
        ) -> TransferResult:
            (digest,) = files
            self.counts[digest] += 1
            if self.counts[digest] <= 10:
                met.wait()
                raise ConnectionLostError("cut", moved=self.counts[digest] * (digest == "a"))
            return super().send(files, destination, shape=shape)

    keeper = Keeper()
    with slept(keeper, Unfair(keeper)) as line:
        for one in [line.put(OneFile("a")), line.put(OneFile("b"))]:
            assert one.result().kept == 1


class Proven(OneFile):
    """A content that can be proven."""

    def keyed(self, digest: str, nonce: bytes) -> bytes | None:
        return nonce


@dataclass
class Proving(Keeper):
    """Has what is asked for from others; takes proofs of its last question only."""

    question: bytes = b""
    lost: int = 0
    """Connections that break between a question and its proof."""

    def lacking(self, wanted: Sequence[WantedContent], folder: int = 0) -> Lacking:
        digests = tuple(item.digest for item in wanted)
        self.question = "".join(digests).encode()
        return Lacking(prove=digests, nonce=self.question)

    def prove(self, proofs: Sequence[Proof]) -> tuple[str, ...]:
        if self.lost:
            self.lost -= 1
            raise ChallengeLostError("cut")
        return tuple(proof.digest for proof in proofs if proof.mac != self.question)


def test_what_can_be_proven_is_not_sent_though_the_connection_breaks_in_between() -> None:
    keeper = Proving(lost=3)
    with slept(keeper, Transfer(keeper)) as line:
        line.put(Proven("a")).result()

    assert keeper.deeds == []


def test_what_can_never_be_proven_is_sent() -> None:
    keeper = Proving(lost=1000)
    with slept(keeper, Transfer(keeper)) as line:
        line.put(Proven("a")).result()

    assert keeper.deeds == ["send a to 0", "take a from 0"]


def test_what_had_arrived_before_a_cut_is_not_sent_again_and_counts() -> None:
    @dataclass
    class Half(Keeper):
        """Has half of what was being sent when the line was cut."""

        def ingest(
            self, digests: Sequence[str], folder: int = 0, *, is_cut: bool = False
        ) -> Ingested:
            if is_cut:
                return Ingested(kept=1, new_bytes=1, bad=tuple(digests[1:]))
            return Ingested(kept=len(digests), new_bytes=1)

    transfer = Cutting(keeper := Half(), breaks={"ab": [0]})
    with slept(keeper, transfer) as line:
        taken = line.put(Two("ab")).result()

    assert keeper.deeds == ["ask a for 0", "ask b for 0", "send b to 0"]
    assert (taken.kept, taken.new_bytes) == (2, 2)


class Two(OneFile):
    """A batch of two contents, whose first try is one of both."""

    @property
    def wanted(self) -> Sequence[WantedContent]:
        return [WantedContent(digest=digest, size=1) for digest in self.digest]

    @contextmanager
    def laid_out(
        self, digests: Collection[str]
    ) -> Iterator[Mapping[TransferMode, Mapping[str, Path]]]:
        name = "".join(digests)
        yield {TransferMode.PLAIN: {name: Path("/", name)}}
