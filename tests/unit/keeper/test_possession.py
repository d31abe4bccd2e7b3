"""That knowing a digest is worth nothing (fault h2)."""

import hashlib
import hmac
import os
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdstill.errors import LinkError, SecurityError, UsageError, VerificationError
from holdstill.keeper import enrolment, possession, references, thin
from holdstill.keeper.account import Account
from holdstill.keeper.local import LocalKeeper
from holdstill.keeper.possession import DigestLog
from holdstill.model import names, protocol
from holdstill.model.names import Digest
from holdstill.model.protocol import Lacking, Proof, RunStarted, SealResult, WantedContent
from holdstill.model.settings import Retention
from holdstill.records import capture_contents, manifest_file
from holdstill.system import files
from support import keeping
from support.keeping import OTHER_KEY, PIER_3, PIER_4, Board, FakeClock, proofs_of

SECRET = b"the harbour master's key\n"
OLD_FILES = {b"etc/hostname": b"pier-3\n", b"srv/key": SECRET}


def digest_of(content: bytes) -> Digest:
    return names.check_digest(hashlib.sha256(content).hexdigest())


def wanted(*contents: bytes) -> list[WantedContent]:
    return [WantedContent(digest=digest_of(c), size=len(c)) for c in contents]


class Harbour:
    """A store in which pier-3 has a capture with a secret, and pier-4 begins its first."""

    def __init__(self, folder: Path, *, is_sharing: bool = True) -> None:
        self.clock = FakeClock()
        self.store = keeping.make_store(folder / "boathouse", clock=self.clock)
        enrolment.enrol(self.store, PIER_4, OTHER_KEY, clock=self.clock, limits=None)
        self.is_sharing = is_sharing
        self.owner = Board(self.keeper(PIER_3), clock=self.clock, files=dict(OLD_FILES))
        self.owner.capture()
        self.owner.keeper.close()
        self.other = self.board(self.keeper(PIER_4))

    def keeper(self, board: names.BoardName) -> LocalKeeper:
        return keeping.keeper_of(
            self.store, clock=self.clock, board=board, is_sharing=self.is_sharing
        )

    def board(self, keeper: LocalKeeper) -> Board[LocalKeeper]:
        return Board(
            keeper, name=PIER_4, clock=self.clock,
            sign=lambda data: keeping.seal_of(data, PIER_4, OTHER_KEY),
            gap=keeping.gap_of(b"another's boot code"),
        )  # fmt: skip


@pytest.fixture
def harbour(tmp_path: Path) -> Harbour:
    return Harbour(tmp_path)


@pytest.fixture
def closed(tmp_path: Path) -> Harbour:
    return Harbour(tmp_path, is_sharing=False)


# RFC 4231, 4.2 and 4.3: HMAC-SHA-256 of test cases 1 and 2.
RFC_4231 = [
    (b"\x0b" * 20, b"Hi There",
     "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    (b"Jefe", b"what do ya want for nothing?",
     "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
]  # fmt: skip


@pytest.mark.parametrize(("key", "content", "mac"), RFC_4231)
def test_h2_a_proof_is_the_published_hmac(
    tmp_path: Path, key: bytes, content: bytes, mac: str
) -> None:
    path = tmp_path / "content"
    path.write_bytes(content + b"what came later")

    with files.opened(path) as handle:
        assert files.keyed_digest(handle, len(content), key).hex() == mac
        with pytest.raises(EOFError):
            files.keyed_digest(handle, 1000, key)


def test_h2_another_boards_content_is_to_be_proven_not_taken(harbour: Harbour) -> None:
    keeper = harbour.other.keeper
    keeper.begin()

    lacking = keeper.lacking(wanted(SECRET, b"nobody's"))

    assert (lacking.send, lacking.prove) == ((digest_of(b"nobody's"),), (digest_of(SECRET),))
    assert len(lacking.nonce) == protocol.NONCE


def test_h2_its_own_content_is_neither_sent_nor_proven(harbour: Harbour) -> None:
    keeper = harbour.keeper(PIER_3)
    keeper.begin()

    assert len(keeper.lacking(wanted(SECRET))) == 0


def test_h2_a_proven_content_gets_into_a_capture_unsent(harbour: Harbour) -> None:
    harbour.other.files = {b"key": SECRET, b"own": b"own"}

    name = harbour.other.capture().name

    assert harbour.other.sent == [digest_of(b"own")]
    capture = harbour.other.keeper.capture(name)
    assert keeping.read_content(capture, SECRET) == SECRET


def forged(nonce: bytes) -> dict[str, Proof]:
    right = digest_of(SECRET)
    return {
        "no bytes": Proof(digest=right, mac=b""),
        "the digest's": Proof(digest=right, mac=hmac.digest(nonce, right.encode(), "sha256")),
        "another nonce": proofs_of(bytes(32), {right: SECRET})[0],
        "another content": proofs_of(nonce, {right: b"pier-3\n"})[0],
        "another digest": proofs_of(nonce, {"a" * 64: SECRET})[0],
        "cut": Proof(digest=right, mac=hmac.digest(nonce, SECRET, "sha256")[:31]),
    }


@pytest.mark.parametrize("how", forged(b""))
def test_h2_a_forged_proof_leaves_the_content_to_be_sent(harbour: Harbour, how: str) -> None:
    keeper = harbour.other.keeper
    keeper.begin()
    proof = forged(keeper.lacking(wanted(SECRET)).nonce)[how]

    assert keeper.prove([proof]) == (proof.digest,)
    assert len(keeper.lacking(wanted(SECRET))) == 1
    assert harbour.store.contents.has(digest_of(SECRET)), "nothing of the owner's is lost"


def hashed_for(keeper: LocalKeeper) -> int:
    """Return the bytes that the board was charged for hashing."""
    return keeper._account.balance().run.hashed


def test_h2_a_nonce_counts_once(harbour: Harbour) -> None:
    keeper = harbour.other.keeper
    keeper.begin()
    first = keeper.lacking(wanted(SECRET))
    second = keeper.lacking(wanted(SECRET))
    assert first.nonce != second.nonce
    assert keeper.prove(proofs_of(first.nonce, {digest_of(SECRET): SECRET}))

    replayed = keeper.prove(proofs_of(second.nonce, {digest_of(SECRET): SECRET}))

    assert replayed == (digest_of(SECRET),)


def test_h2_what_was_not_asked_for_is_not_hashed(harbour: Harbour) -> None:
    keeper = harbour.other.keeper
    keeper.begin()
    nonce = keeper.lacking(wanted(SECRET)).nonce

    assert keeper.prove(proofs_of(nonce, {digest_of(b"pier-3\n"): b"pier-3\n"}))
    assert hashed_for(keeper) == 0


def test_h2_a_wrong_proof_costs_the_keeper_one_reading_a_run(harbour: Harbour) -> None:
    keeper = harbour.other.keeper
    keeper.begin()
    for _ in range(3):
        nonce = keeper.lacking(wanted(SECRET)).nonce
        keeper.prove(proofs_of(nonce, {digest_of(SECRET): b"a guess"}))
    assert hashed_for(keeper) == 2 * len(SECRET)  # keyed, then checked

    keeper.close()
    keeper.begin()

    assert keeper.lacking(wanted(SECRET)).send == (digest_of(SECRET),)


def test_h2_an_index_that_names_anothers_content_is_not_sealed(harbour: Harbour) -> None:
    board = harbour.other
    begun = board.keeper.begin()
    board.files = {b"mine": SECRET}  # its bytes are used for nothing but digest and size
    data = manifest_file.encode(board.describe(begun, board.index(seq=1)))

    answer = board.keeper.seal(data, board.signed(data))

    assert (answer.name, answer.lacking.prove) == ("", (digest_of(SECRET),))
    assert board.keeper.captures() == ()
    with pytest.raises((UsageError, VerificationError)):
        board.keeper.stage("000001-20261125T021503Z", [digest_of(SECRET)])


@pytest.mark.parametrize("size", [1, len(SECRET), 10_000])
def test_h2_no_size_is_told_of_what_is_not_the_boards_own(harbour: Harbour, size: int) -> None:
    board = harbour.other
    begun = board.keeper.begin()
    board.files = {b"mine": SECRET}
    entries = [e._replace(size=size) if e.name == b"mine" else e for e in board.entries()]
    data = manifest_file.encode(board.describe(begun, keeping.index_bytes({2: entries})))

    answer = board.keeper.seal(data, board.signed(data))

    assert answer.lacking.prove == (digest_of(SECRET),)


def test_h2_a_wrong_size_is_refused_without_the_right_one(harbour: Harbour) -> None:
    board = harbour.other
    begun = board.keeper.begin()
    board.files = {b"mine": SECRET}
    entries = [e._replace(size=1000) if e.name == b"mine" else e for e in board.entries()]
    board.deliver(begun)
    data = manifest_file.encode(board.describe(begun, keeping.index_bytes({2: entries})))

    with pytest.raises(SecurityError) as caught:
        board.keeper.seal(data, board.signed(data))

    assert str(len(SECRET)) not in str(caught.value).replace(digest_of(SECRET), "")


def test_h2_anothers_list_is_not_read_before_it_is_proven(harbour: Harbour) -> None:
    board = harbour.other
    begun = board.keeper.begin()
    honest = board.describe(begun, board.index(seq=1))
    theirs = keeping.attachment("gap.bin", harbour.owner.gap)
    data = manifest_file.encode(msgspec.structs.replace(honest, gap=theirs))

    answer = board.keeper.seal(data, board.signed(data))

    assert (answer.name, answer.lacking.prove) == ("", (theirs.sha256,))


@pytest.mark.parametrize("is_sharing", [True, False])
def test_what_a_seal_costs_tells_nothing_of_what_others_have(
    tmp_path: Path, *, is_sharing: bool
) -> None:
    costs = []
    for is_there in (True, False):
        (tmp_path / f"{is_there}").mkdir()
        harbour = Harbour(tmp_path / f"{is_there}", is_sharing=is_sharing)
        board = harbour.other
        begun = board.keeper.begin()
        theirs = keeping.attachment("gap.bin", harbour.owner.gap)
        named = theirs if is_there else msgspec.structs.replace(theirs, sha256="ab" * 32)
        honest = board.describe(begun, board.index(seq=1))
        data = manifest_file.encode(msgspec.structs.replace(honest, gap=named))

        assert board.keeper.seal(data, board.signed(data)).name == ""

        enrolled = enrolment.read(harbour.store, PIER_4)
        rules = keeping.no_limits(harbour.store.root)
        account = Account(harbour.store, enrolled, rules, clock=harbour.clock)
        costs.append(account.balance().today.hashed)

    assert costs[0] == costs[1]


def test_h2_an_older_content_of_anothers_is_not_laid_out_for_rsync(tmp_path: Path) -> None:
    harbour = Harbour(tmp_path, is_sharing=False)
    large = bytes(64 << 10)
    harbour.owner.files[b"large"] = large
    harbour.owner.capture()
    harbour.owner.keeper.close()
    begun = harbour.other.keeper.begin()
    basis = digest_of(large)

    harbour.other.keeper.lacking([WantedContent(digest=basis, size=1, basis=basis)])

    assert list(Path(begun.folders[0]).iterdir()) == []
    assert harbour.other.keeper.ingest([basis]).bad == (basis,)


def test_h2_banking_tells_nothing_of_what_others_have(harbour: Harbour) -> None:
    keeper = harbour.other.keeper
    keeper.begin()

    assert keeper.ingest([digest_of(SECRET)]).bad == (digest_of(SECRET),)


def test_h2_what_is_proven_survives_a_cut(harbour: Harbour) -> None:
    keeper = harbour.other.keeper
    keeper.begin()
    nonce = keeper.lacking(wanted(SECRET)).nonce
    assert keeper.prove(proofs_of(nonce, {digest_of(SECRET): SECRET})) == ()
    keeper.close()

    again = harbour.keeper(PIER_4)
    begun = again.begin()

    assert len(again.lacking(wanted(SECRET))) == 0
    assert possession.SHOWN not in {path.name for path in Path(begun.folders[0]).iterdir()}


def forget(harbour: Harbour, *, grace: float) -> None:
    """Let the owner's captures with the secret go, and collect what only they needed."""
    harbour.owner.files = {b"etc/hostname": b"pier-3\n"}
    harbour.clock.advance(86_400)
    harbour.owner.capture()
    harbour.owner.keeper.close()
    rule = Retention(days=0, weeks=0, months=0, years=0, at_least=1)
    thin.delete_captures(
        harbour.store, PIER_3, rule, clock=harbour.clock, runner=keeping.FakeSignatures()
    )
    for content in harbour.store.contents.all():
        os.utime(content.path, (1, 1))  # older than any run: no run spares it
    collected = keeping.collect(harbour.store, harbour.clock, grace=grace)
    assert not collected.complaints
    assert not harbour.store.contents.has(digest_of(SECRET))


@pytest.mark.parametrize("grace", [0, 3 * 86_400])
def test_h2_what_is_collected_after_it_was_proven_is_asked_for_or_taken_back(
    harbour: Harbour, grace: float
) -> None:
    board = harbour.other
    board.files = {b"key": SECRET}
    begun = board.keeper.begin()
    board.deliver(begun)
    assert board.sent == []  # proven
    data = manifest_file.encode(board.describe(begun, board.index(seq=begun.seq)))
    forget(harbour, grace=grace)

    answer, asked = board.keeper.seal(data, board.signed(data)), set[str]()
    while answer.lacking:  # with what it brought itself: all is old here
        assert board.keeper.captures() == ()
        asked |= set(answer.lacking.send)
        answer = sent_again(board, begun, answer.lacking, data)

    assert (digest_of(SECRET) in asked) is (grace == 0)
    assert keeping.read_content(board.keeper.capture(answer.name), SECRET) == SECRET


def sent_again(
    board: Board[LocalKeeper], begun: RunStarted, lacking: Lacking, data: bytes
) -> SealResult:
    """Send what is lacking, and have the same manifest sealed."""
    bodies: dict[str, bytes] = {digest_of(body): body for body in board.files.values()}
    for attachment in (board.index(seq=begun.seq), *board.attachments().values()):
        bodies |= keeping.pieces_of(attachment)
    assert not lacking.prove
    keeping.put({digest: bodies[digest] for digest in lacking.send}, begun.folders[0])
    assert board.keeper.ingest(lacking.send).bad == ()
    return board.keeper.seal(data, board.signed(data))


def test_h2_after_a_capture_was_sealed_a_new_run_has_shown_nothing(harbour: Harbour) -> None:
    board = harbour.other
    begun = board.keeper.begin()
    board.deliver(begun)
    nonce = board.keeper.lacking(wanted(SECRET)).nonce
    board.keeper.prove(proofs_of(nonce, {digest_of(SECRET): SECRET}))
    board.capture(begun)  # it does not name the secret
    board.keeper.begin()

    assert board.keeper.lacking(wanted(SECRET)).prove == (digest_of(SECRET),)


def test_h2_a_content_that_the_disk_spoiled_is_found_by_the_proof(harbour: Harbour) -> None:
    keeper, digest = harbour.other.keeper, digest_of(SECRET)
    path = harbour.store.contents.path(digest)
    path.chmod(0o600)
    path.write_bytes(SECRET[:-1] + b"?")
    keeper.begin()
    nonce = keeper.lacking(wanted(SECRET)).nonce

    assert keeper.prove(proofs_of(nonce, {digest: SECRET})) == (digest,)
    assert not harbour.store.contents.has(digest)


def test_h2_lost_references_do_not_have_a_whole_board_sent_again(harbour: Harbour) -> None:
    references.discard(harbour.store)
    keeper = harbour.keeper(PIER_3)
    board = Board(keeper, clock=harbour.clock, files=dict(OLD_FILES))
    harbour.clock.advance(86_400)
    begun = keeper.begin()
    data = board.attach(begun)  # asks about the index only, as a board does that changed little
    references.discard(harbour.store)

    assert keeper.seal(data, board.signed(data)).name


def test_h2_without_sharing_anothers_content_is_as_unknown_as_nobodys(closed: Harbour) -> None:
    keeper = closed.other.keeper
    keeper.begin()
    contents = (b"nobody's", SECRET, b"nor this", b"pier-3\n")

    answer = keeper.lacking(wanted(*contents))

    assert answer == Lacking(send=tuple(map(digest_of, contents)))


def test_h2_without_sharing_what_is_new_is_what_was_sent(closed: Harbour) -> None:
    board = closed.other
    board.files = {b"key": SECRET}
    begun = board.keeper.begin()
    lacking = board.keeper.lacking(wanted(SECRET))
    keeping.put(dict.fromkeys(lacking.send, SECRET), begun.folders[0])
    before = closed.store.contents.path(digest_of(SECRET)).stat()

    assert board.keeper.ingest(lacking.send).new_bytes == len(SECRET)
    assert closed.store.contents.path(digest_of(SECRET)).stat().st_ino == before.st_ino

    sealed = board.capture(begun)
    capture = board.keeper.capture(sealed.name)
    everything = {*capture_contents.needed(capture)}
    assert sealed.new_bytes == sum(size for _, size in everything)


def test_h2_without_sharing_an_index_is_told_to_send(closed: Harbour) -> None:
    board = closed.other
    begun = board.keeper.begin()
    board.files = {b"mine": SECRET}
    data = manifest_file.encode(board.describe(begun, board.index(seq=1)))

    answer = board.keeper.seal(data, board.signed(data))

    assert answer.lacking == Lacking(send=(digest_of(SECRET),))


def test_h2_a_torn_log_of_digests_is_read_as_far_as_it_is_whole(store_log: DigestLog) -> None:
    first, second = digest_of(b"1"), digest_of(b"2")
    store_log.add([first])
    path = store_log._path
    path.write_bytes(path.read_bytes() + b"torn")

    again = DigestLog(path, store_log._disk)
    assert first in again
    again.add([second])

    assert path.read_bytes() == bytes.fromhex(first) + bytes.fromhex(second)


@pytest.fixture
def store_log(tmp_path: Path) -> DigestLog:
    return DigestLog(tmp_path / "log", keeping.QuickDisk())


BODIES = [b"%d of all boards" % n for n in range(6)]
STEPS = st.lists(
    st.tuples(st.sampled_from(["send", "prove", "lie", "cut", "seal", "thin"]),
              st.integers(0, len(BODIES) - 1)),
    max_size=12,
)  # fmt: skip


@settings(max_examples=15, deadline=None)
@given(steps=STEPS)
def test_h2_in_any_order_a_capture_has_only_what_the_board_showed(
    steps: list[tuple[str, int]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """The model: what was sent or proven in this run, and what captures of its own have."""
    harbour = Harbour(tmp_path_factory.mktemp("harbour"))
    harbour.owner.files = {b"%d" % n: body for n, body in enumerate(BODIES)}
    harbour.clock.advance(1)
    harbour.owner.capture()
    harbour.owner.keeper.close()
    board, shown, own = harbour.other, set[bytes](), set[bytes]()
    begun = board.keeper.begin()
    for what, number in steps:
        body = BODIES[number]
        match what:
            case "send":
                keeping.put({digest_of(body): body}, begun.folders[0])
                assert board.keeper.ingest([digest_of(body)]).bad == ()
                shown.add(body)
            case "prove" | "lie":
                asked = board.keeper.lacking(wanted(body))
                assert len(asked) == (body not in shown | own)
                said = body if what == "prove" else b"guess"
                unproven = board.keeper.prove(
                    proofs_of(asked.nonce, dict.fromkeys(asked.prove, said))
                )
                shown |= {body} if asked.prove and not unproven else set()
            case "cut":
                board.keeper.close()
                begun = board.keeper.begin()
            case "thin":
                keeping.collect(harbour.store, harbour.clock)
            case _:
                board.files = {b"%d" % number: body}
                harbour.clock.advance(1)
                data = manifest_file.encode(board.describe(begun, board.index(seq=begun.seq)))
                answer = board.keeper.seal(data, board.signed(data))
                assert bool(answer.name) is (body in shown | own)
                if answer.name:
                    own.add(body)
                    shown.clear()
                    begun = board.keeper.begin()


def test_h2_a_content_that_somebody_has_put_a_link_in_place_of_is_not_taken_for_spoiled(
    harbour: Harbour,
) -> None:
    """open(2), O_NOFOLLOW: ELOOP."""
    keeper = harbour.other.keeper
    keeper.begin()
    nonce = keeper.lacking(wanted(SECRET)).nonce
    path = harbour.store.contents.path(digest_of(SECRET))
    path.rename(path.with_name("aside"))
    path.symlink_to("aside")

    with pytest.raises(LinkError, match="symbolic links"):
        keeper.prove(proofs_of(nonce, {digest_of(SECRET): SECRET}))

    assert path.is_symlink()
