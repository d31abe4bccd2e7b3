from __future__ import annotations

import errno
import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import TargetFailedError
from holdstill.rebuild import counterfeit_probe

MIB, GIB = 1 << 20, 1 << 30
NONCE = b"0123456789abcdef"


class Card:
    """A card that keeps every block it is given, as an honest one does."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.blocks: dict[int, bytes] = {}
        self.cache: dict[int, bytes] = {}

    def write(self, position: int, data: bytes) -> None:
        assert position % counterfeit_probe.MARK == 0
        assert position + len(data) <= self.size
        self.cache[position] = data

    def read(self, position: int, length: int) -> bytes:
        if position in self.cache:
            return self.cache[position]
        return self.keep(position)[:length]

    def settle(self) -> None:
        for position, data in self.cache.items():
            self.store(position, data)
        self.cache.clear()

    def store(self, position: int, data: bytes) -> None:
        self.blocks[position] = data

    def keep(self, position: int) -> bytes:
        return self.blocks.get(position, bytes(counterfeit_probe.MARK))


class Dropping(Card):
    """A card that has less than it claims and drops what lies behind."""

    def __init__(self, size: int, real: int) -> None:
        super().__init__(size)
        self.real = real

    def store(self, position: int, data: bytes) -> None:
        if position < self.real:
            super().store(position, data)


class Wrapping(Dropping):
    """A card that begins again at its start."""

    def store(self, position: int, data: bytes) -> None:
        self.blocks[position % self.real] = data

    def keep(self, position: int) -> bytes:
        return super().keep(position % self.real)


class Failing(Dropping):
    """A card that answers with an error behind its real end."""

    def store(self, position: int, data: bytes) -> None:
        if position >= self.real:
            raise OSError(errno.EIO, "Input/output error")
        super().store(position, data)


def test_an_honest_card_passes_and_is_left_blank() -> None:
    card = Card(64 * GIB)

    count = counterfeit_probe.probe(card, needed=30 * GIB, nonce=NONCE)

    assert count > 200
    assert set(card.blocks.values()) == {bytes(counterfeit_probe.MARK)}


@pytest.mark.parametrize("kind", [Dropping, Wrapping, Failing])
@pytest.mark.parametrize("real", [4 * MIB, 7580 * MIB, 8 * GIB, 16 * GIB, 63 * GIB])
def test_a_card_that_has_less_than_it_claims_is_found(kind: type[Dropping], real: int) -> None:
    card = kind(64 * GIB, real)

    with pytest.raises(TargetFailedError, match="does not keep what is written") as caught:
        counterfeit_probe.probe(card, needed=64 * GIB, nonce=NONCE)

    assert "counterfeit" in caught.value.hint


def test_a_lie_behind_what_is_needed_is_found_at_the_very_end() -> None:
    card = Dropping(64 * GIB, 32 * GIB)

    with pytest.raises(TargetFailedError, match="1 of"):
        counterfeit_probe.probe(card, needed=8 * GIB, nonce=NONCE)


def test_a_card_that_gives_back_the_marks_of_an_earlier_run_is_found() -> None:
    card = Card(GIB)
    places = counterfeit_probe.positions(GIB, GIB)
    old = {place: counterfeit_probe.mark(b"an earlier run", place) for place in places}

    class Frozen(Card):
        """A worn-out card that takes writes and keeps what it had."""

        def store(self, position: int, data: bytes) -> None:
            self.blocks = dict(old)

    with pytest.raises(TargetFailedError, match=f"{len(places)} of {len(places)} marks"):
        counterfeit_probe.probe(Frozen(card.size), needed=GIB, nonce=NONCE)


@given(size=st.integers(1, 2000), real=st.integers(1, 2000))
def test_every_size_in_whole_steps_is_the_distance_of_two_marks(size: int, real: int) -> None:
    places = counterfeit_probe.positions(
        size * counterfeit_probe.STEP, size * counterfeit_probe.STEP
    )
    distances = {later - earlier for later in places for earlier in places if earlier < later}

    assert real >= size or real * counterfeit_probe.STEP in distances
    assert len(places) <= 3 * math.isqrt(size) + 5


@given(needed=st.integers(0, 64 * MIB), size=st.integers(counterfeit_probe.MARK, 64 * MIB))
def test_marks_lie_inside_and_apart(needed: int, size: int) -> None:
    places = counterfeit_probe.positions(needed, size)

    assert places
    assert all(0 <= place <= size - counterfeit_probe.MARK for place in places)
    assert all(
        later - place >= counterfeit_probe.MARK for place, later in itertools.pairwise(places)
    )
