"""A keeper that a board cannot trust: its answers are checked before they are used (m18)."""

from __future__ import annotations

import base64
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import HoldstillError, LinkError
from holdstill.keeper.remote import RemoteKeeper
from holdstill.model.protocol import NONCE, Proof, WantedContent

if TYPE_CHECKING:
    from collections.abc import Callable

DIGEST, OTHER = "a" * 64, "b" * 64
BRIEF = {"name": "000001-20261125T021503Z", "seq": 1, "manifest": DIGEST, "index": DIGEST,
         "grade": "live", "taken_at": "2026-11-25T02:15:03"}  # fmt: skip
STARTED = {"run": "abcdefgh", "seq": 1, "previous": "", "contents": "c", "attachments": "a"}
WANTED = (WantedContent(digest=DIGEST, size=1),)


@dataclass
class Answering:
    """Answers every call with the same result."""

    result: object
    heard: list[bytes] = field(default_factory=list)

    def call(self, line: bytes) -> bytes:
        self.heard.append(line)
        number = json.loads(line)["id"]
        return json.dumps({"jsonrpc": "2.0", "id": number, "result": self.result}).encode()


def keeper(result: object) -> RemoteKeeper:
    return RemoteKeeper(Answering(result))


@pytest.mark.parametrize("lacking", [["zz"], [OTHER], [DIGEST, "\x1b[2J"], [""]])
def test_m18_a_keeper_lacks_only_what_it_was_asked_for(lacking: list[str]) -> None:
    with pytest.raises(LinkError, match="makes no sense"):
        keeper({"send": lacking}).lacking(WANTED)


def test_m18_what_it_was_asked_for_it_may_lack() -> None:
    assert keeper({"send": [DIGEST]}).lacking(WANTED).send == (DIGEST,)


@pytest.mark.parametrize("bad", [["zz"], [OTHER]])
def test_m18_a_keeper_finds_only_that_bad_which_it_got(bad: list[str]) -> None:
    with pytest.raises(LinkError, match="makes no sense"):
        keeper({"kept": 0, "new_bytes": 0, "bad": bad}).ingest([DIGEST])


@pytest.mark.parametrize("lacking", ["zz", "A" * 64, "a" * 63, ""])
def test_m18_what_a_seal_lacks_is_a_digest(lacking: str) -> None:
    with pytest.raises(LinkError, match="makes no sense"):
        keeper({"lacking": {"send": [lacking]}}).seal(b"", b"")


def asking(length: int, *, prove: str = DIGEST) -> dict[str, object]:
    return {"prove": [prove], "nonce": base64.b64encode(bytes(length)).decode()}


@pytest.mark.parametrize("length", [0, 31, 33])
def test_h2_a_nonce_has_the_length_of_one(length: int) -> None:
    with pytest.raises(LinkError, match="makes no sense"):
        keeper(asking(length)).lacking(WANTED)
    with pytest.raises(LinkError, match="makes no sense"):
        keeper({"lacking": asking(length)}).seal(b"", b"")

    assert keeper(asking(NONCE)).lacking(WANTED).prove == (DIGEST,)


def test_h2_a_keeper_has_only_that_proven_which_it_was_asked_about() -> None:
    with pytest.raises(LinkError, match="makes no sense"):
        keeper(asking(NONCE, prove=OTHER)).lacking(WANTED)
    with pytest.raises(LinkError, match="makes no sense"):
        keeper([OTHER]).prove([Proof(digest=DIGEST, mac=b"")])


@pytest.mark.parametrize("seq", [0, -1, -(2**63), 2**63, 10**9])
def test_m18_a_capture_has_a_number_that_a_name_can_hold(seq: int) -> None:
    with pytest.raises(LinkError, match="makes no sense"):
        keeper({**STARTED, "seq": seq}).begin()


@pytest.mark.parametrize("name", ["../../x", "", "\x1b]0;x\x07", "1"])
def test_m18_a_captures_name_is_one(name: str) -> None:
    with pytest.raises(LinkError, match="makes no sense"):
        keeper([{**BRIEF, "name": name}]).captures()


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda below: st.lists(below, max_size=3) | st.dictionaries(st.text(), below, max_size=3),
    max_leaves=8,
)


CALLS: tuple[Callable[[RemoteKeeper], object], ...] = (
    lambda keeper: keeper.begin(),
    lambda keeper: keeper.captures(),
    lambda keeper: keeper.lacking(WANTED),
    lambda keeper: keeper.prove([Proof(digest=DIGEST, mac=b"")]),
    lambda keeper: keeper.ingest([DIGEST]),
    lambda keeper: keeper.seal(b"", b""),
    lambda keeper: keeper.manifest("x"),
    lambda keeper: keeper.stage("x", []),
)


@given(result=st.one_of(JSON, st.builds(lambda x: {**STARTED, "seq": x}, JSON)))
def test_m18_whatever_a_keeper_answers_is_understood_or_refused(result: object) -> None:
    for call in CALLS:
        try:
            call(keeper(result))
        except HoldstillError as error:
            assert error.exit_code in {4, 6}  # noqa: PT017  any other error ends the test
