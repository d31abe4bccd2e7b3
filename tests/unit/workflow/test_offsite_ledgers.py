"""A board's ledger put together from the parts that an off-site copy tells of."""

import hashlib
import time

import pytest

from holdstill.errors import VerificationError
from holdstill.keeper import ledger
from holdstill.keeper.ledger import ForgottenEvent, NotedEvent
from holdstill.offsite.head import LedgerPart
from holdstill.workflow import offsite_ledgers
from holdstill.workflow.offsite_ledgers import KeptLedger

AT = "2026-11-30T02:15:00Z"


def lines(before: bytes, *events: ledger.Event) -> bytes:
    return ledger.next_lines(ledger.parse(before), events, at=AT)


FIRST = lines(b"", NotedEvent(capture="1", text="one"))
SECOND = lines(FIRST, NotedEvent(capture="2", text="two"))
THIRD = lines(FIRST + SECOND, NotedEvent(capture="3", text="three"))
WHOLE = FIRST + SECOND + THIRD
FORGED = lines(b"", ForgottenEvent(captures=("1", "2")))


class Documents:
    """What is in packs."""

    def __init__(self) -> None:
        self.there: dict[bytes, bytes] = {}

    def part(self, offset: int, data: bytes, *, is_there: bool = True) -> LedgerPart:
        digest = hashlib.sha256(data).digest()
        if is_there:
            self.there[digest] = data
        return LedgerPart(board="pier-3", offset=offset, length=len(data), digest=digest)

    def fetch(self, digest: bytes) -> bytes:
        if digest not in self.there:
            raise VerificationError("it is in no pack", hint="")
        return self.there[digest]


@pytest.fixture
def held() -> Documents:
    return Documents()


def _in_order(held: Documents) -> list[LedgerPart]:
    return [
        held.part(0, FIRST), held.part(len(FIRST), SECOND), held.part(len(FIRST + SECOND), THIRD),
    ]  # fmt: skip


def test_parts_are_put_together(held: Documents) -> None:
    parts = _in_order(held)

    whole = KeptLedger(WHOLE, frozenset(), frozenset(), ())
    assert offsite_ledgers.joined(parts, held.fetch) == whole
    # Told once more by a head that merges others, and in whatever order.
    assert offsite_ledgers.joined([*parts, *parts], held.fetch) == whole
    assert offsite_ledgers.joined(parts[::-1], held.fetch) == whole
    # And whole, by a keeper whose notes were lost.
    assert offsite_ledgers.joined([*parts[:2], held.part(0, WHOLE)], held.fetch) == whole


def test_a_part_that_says_something_else_is_a_fault(held: Documents) -> None:
    """As a thief would tell it: a sound ledger in the place of another."""
    for forged in (FORGED, lines(FIRST, ForgottenEvent(captures=("1",)))):
        for offset in (0, len(FIRST)):
            parts = [*_in_order(held), held.part(offset, forged)]

            found = offsite_ledgers.joined(parts, held.fetch)

            assert (found.lines, found.given_up) == (WHOLE, frozenset())
            assert found.faults == (f"lines from byte {offset} on are told otherwise later",)


def test_lines_that_go_on_are_taken_and_say_what_is_given_up(held: Documents) -> None:
    more = lines(WHOLE, ForgottenEvent(captures=("1",)))

    found = offsite_ledgers.joined([*_in_order(held), held.part(len(WHOLE), more)], held.fetch)

    assert found == KeptLedger(WHOLE + more, frozenset(), frozenset({"1"}), ())


def test_what_is_missing_ends_it_there(held: Documents) -> None:
    parts = [held.part(0, FIRST), held.part(len(FIRST), SECOND, is_there=False),
             held.part(len(FIRST + SECOND), THIRD)]  # fmt: skip

    found = offsite_ledgers.joined(parts, held.fetch)

    assert found.lines == FIRST
    assert len(found.faults) == 2
    assert "it is in no pack" in found.faults[0]
    assert "are missing" in found.faults[1]


@pytest.mark.parametrize("junk", [b"no line\n", b"cut off", THIRD, FORGED])
def test_what_breaks_the_chain_is_left_out(held: Documents, junk: bytes) -> None:
    parts = [held.part(0, FIRST), held.part(len(FIRST), junk)]

    found = offsite_ledgers.joined(parts, held.fetch)

    assert (found.lines, found.given_up) == (FIRST, frozenset())
    assert len(found.faults) == 1


def test_another_length_than_was_told_is_a_fault(held: Documents) -> None:
    part = held.part(0, FIRST)
    wrong = LedgerPart(board="pier-3", offset=0, length=len(FIRST) + 5, digest=part.digest)

    assert offsite_ledgers.joined([wrong, part], held.fetch).lines == FIRST
    assert offsite_ledgers.joined([wrong], held.fetch).lines == b""


def test_no_parts_are_no_ledger(held: Documents) -> None:
    assert offsite_ledgers.joined([], held.fetch) == KeptLedger(b"", frozenset(), frozenset(), ())


def test_many_parts_that_break_the_chain_are_left_out_soon(held: Documents) -> None:
    """As a thief's head tells of one content often: reading all for each of them took hours."""
    junk = b"x" * 10_000 + b"\n"
    begin = len(WHOLE)
    parts = [*_in_order(held)]
    parts += [held.part(begin + number * len(junk), junk) for number in range(2000)]
    read = 0

    def fetch(digest: bytes) -> bytes:
        nonlocal read
        read += 1
        return held.fetch(digest)

    before = time.process_time()
    found = offsite_ledgers.joined(parts, fetch, most=10_000_000)

    assert time.process_time() - before < 20
    assert found.lines == WHOLE
    assert read < 1003
    assert any("more than 10000000 bytes" in text for text in found.faults)
    assert any(f"from byte {begin} to" in text for text in found.faults)


def test_of_many_faults_the_first_are_told(held: Documents) -> None:
    parts = [held.part(10_000 + number, FIRST) for number in range(50_000)]

    found = offsite_ledgers.joined([*_in_order(held), *parts], held.fetch)

    assert found.lines == WHOLE
    assert len(found.faults) == 11
    assert found.faults[-1] == "and 49990 more of these"
