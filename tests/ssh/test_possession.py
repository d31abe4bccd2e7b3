"""Two boards over a real sshd: what they share is proven, and a digest is worth nothing (h2)."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import HoldstillError
from holdstill.model import names
from holdstill.model.protocol import BATCH, WantedContent
from holdstill.records import manifest_file
from support import boathouse, keeping
from support.keeping import proofs_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from support.boathouse import Boathouse

pytestmark = pytest.mark.timeout(120)
SHARED = {b"usr/lib/%d" % n: hashlib.sha256(b"%d" % n).digest() * 300 for n in range(400)}
SECRET = b"the harbour master's key\n"


@pytest.fixture
def house(tmp_path: Path) -> Iterator[Boathouse]:
    with boathouse.running(tmp_path) as house:
        yield house


def digest_of(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def test_h2_a_sibling_sends_less_than_a_twentieth_of_what_it_shares(house: Boathouse) -> None:
    sent = []
    for name in (house.enrol("pier-3"), house.enrol("pier-4")):
        with house.keeper(name) as keeper:
            board = house.board(keeper, name)
            board.files = SHARED | {b"etc/hostname": name.encode()}
            assert board.capture().name
        sent.append(house.wire_bytes)

    assert sent[0] > sum(map(len, SHARED.values())) / 2
    assert sent[1] - sent[0] < sent[0] / 20


def test_h2_a_hostile_board_learns_nothing_by_a_digest(house: Boathouse) -> None:
    owner, other = house.enrol("pier-3"), house.enrol("pier-4")
    with house.keeper(owner) as keeper:
        board = house.board(keeper, owner)
        board.files = {b"srv/key": SECRET}
        name = board.capture().name

    with house.keeper(other) as keeper:
        board = house.board(keeper, other)
        begun = keeper.begin()
        board.files = {b"mine": SECRET}
        entries = [e._replace(size=1) if e.name == b"mine" else e for e in board.entries()]
        index = keeping.index_bytes({2: entries})
        data = manifest_file.encode(board.describe(begun, index))
        answer = keeper.seal(data, board.signed(data))

        assert (answer.name, answer.lacking.prove) == ("", (digest_of(SECRET),))
        for mac in (digest_of(SECRET).encode(), b"a guess"):
            nonce = keeper.lacking([WantedContent(digest=digest_of(SECRET), size=1)]).nonce
            assert keeper.prove(proofs_of(nonce, {digest_of(SECRET): mac})) == (digest_of(SECRET),)
        answer = keeper.seal(data, board.signed(data))
        assert (answer.name, answer.lacking.send) == ("", (digest_of(SECRET),))
        assert keeper.captures() == ()
        with pytest.raises(HoldstillError) as caught:
            keeper.stage(name, [digest_of(SECRET)])
        # The name has digits of its own: a moment.
        assert str(len(SECRET)) not in str(caught.value).replace(str(name), "")

    assert house.store.contents.has(names.check_digest(digest_of(SECRET)))


def test_h2_twenty_thousand_proofs_fit_one_message_and_forged_ones_are_refused(
    house: Boathouse,
) -> None:
    owner, other = house.enrol("pier-3"), house.enrol("pier-4")
    bodies = {digest_of(b"%d" % n): b"%d" % n for n in range(BATCH)}
    wanted = [WantedContent(digest=d, size=len(body)) for d, body in bodies.items()]
    with house.keeper(owner) as keeper:
        begun = keeper.begin()
        house.board(keeper, owner).carry(bodies, begun.folders[0])
        assert keeper.ingest([*bodies]).kept == BATCH

    with house.keeper(other) as keeper:
        keeper.begin()
        lacking = keeper.lacking(wanted)
        assert lacking.prove == tuple(bodies)
        right = dict(list(bodies.items())[: BATCH // 2])
        forged = {digest: b"a guess" for digest in bodies if digest not in right}

        unproven = keeper.prove(proofs_of(lacking.nonce, right | forged))

        assert set(unproven) == set(forged)
        assert set(keeper.lacking(wanted).send) == set(forged)
