"""An off-site copy on a real object server: sent, read without the keeper, made a keeper again."""

import hashlib
import json
import os
import shutil
from pathlib import Path

import msgspec
import pytest

from holdstill.errors import LinkError, MachineError
from holdstill.keeper import ledger
from holdstill.keeper.ledger import ForgottenEvent
from holdstill.model.settings import Retention
from holdstill.offsite import check, head, keeper_heads, offsite_settings, promises, sent
from holdstill.offsite.pack_format import Row
from holdstill.workflow import offsite_restore
from support.command_line import holdstill
from support.keeping import FakeClock
from support.offsite import CopiedStore, contents_of
from support.seaweed import Seaweed
from support.silence import Silent

FILES = {b"etc/hostname": b"pier-3\n", b"srv/readings": os.urandom(300_000), b"empty": b""}


@pytest.fixture
def copied(server: Seaweed, tmp_path: Path) -> CopiedStore:
    made = CopiedStore(tmp_path, server.address())
    made.held.enrol("pier-3", "pier-4")
    return made


def test_what_was_sent_is_not_sent_again(copied: CopiedStore) -> None:
    first = copied.capture("pier-3", FILES)
    assert copied.upload().sent.captures == [f"pier-3/{first}"]
    before = copied.versions("")

    again = copied.upload()

    assert (again.sent.packs, again.sent.captures) == (0, [])
    assert copied.versions("") == before


def test_a_night_costs_what_changed_and_five_requests(copied: CopiedStore) -> None:
    changed = os.urandom(500_000)
    copied.capture("pier-3", FILES)
    copied.upload()
    second = copied.capture("pier-3", FILES | {b"srv/new": changed})

    night = copied.upload()

    assert night.sent.captures == [f"pier-3/{second}"]
    assert night.requests <= 5
    assert night.sent.bytes <= len(changed) * 1.1 + (64 << 10)


def test_two_boards_with_the_same_files_send_them_once(copied: CopiedStore) -> None:
    copied.capture("pier-3", FILES)
    copied.capture("pier-4", FILES)

    report = copied.upload()

    assert len(report.sent.captures) == 2
    assert report.sent.bytes < 2 * 300_000


def test_everything_put_is_locked_until_the_day_that_was_set(copied: CopiedStore) -> None:
    copied.capture("pier-3", FILES)
    copied.upload()

    bucket = copied.bucket
    ends = [bucket.locked(one.key, one.id).until for one in copied.versions("")]

    assert len(ends) == 2
    for end in ends:
        assert end is not None
        assert 2.9 < (end - bucket.now()).total_seconds() / 86400 <= 3


def test_a_clock_that_is_wrong_locks_nothing(copied: CopiedStore) -> None:
    copied.capture("pier-3", FILES)

    with pytest.raises(MachineError, match="clock"):
        copied.upload(clock=FakeClock())  # a day of 2026 that is over, or still to come

    assert copied.versions("") == []


def test_lists_shows_finds_and_gets_without_the_store(copied: CopiedStore, tmp_path: Path) -> None:
    copied.capture("pier-3", FILES)
    copied.capture("pier-3", FILES | {b"etc/hostname": b"renamed\n"})
    copied.upload()
    here = ("--store", copied.root)
    shutil.move(copied.root, tmp_path / "aside")
    for words in (("list", "pier-3", "--json"), ("show", "pier-3", "--json")):
        far = json.loads(holdstill(*words, *copied.access()))
        shutil.move(tmp_path / "aside", copied.root)
        near = json.loads(holdstill(*words, *here))
        shutil.move(copied.root, tmp_path / "aside")
        assert far == near

    for number, name in ((1, b"pier-3\n"), (2, b"renamed\n")):
        target = tmp_path / f"got-{number}"
        holdstill("get", f"pier-3/{number}", "2:/etc/hostname", "--to", target, *copied.access())
        assert target.read_bytes() == name
    target = tmp_path / "got-srv"
    holdstill("get", "pier-3", "2:/srv", "--to", target, *copied.access())
    assert (target / "readings").read_bytes() == FILES[b"srv/readings"]
    found = json.loads(holdstill("find", "2:/etc/host*", "pier-3", "--json", *copied.access()))
    assert len(found["boards"]["pier-3"]["paths"]) == 1


def test_a_whole_keeper_is_made_again_and_goes_on(copied: CopiedStore, tmp_path: Path) -> None:
    for turn in range(3):
        for board in ("pier-3", "pier-4"):
            copied.capture(board, FILES | {b"turn": b"%d" % turn, board.encode(): os.urandom(999)})
    copied.upload()
    listed = json.loads(holdstill("list", "--store", copied.root, "--json"))
    shutil.rmtree(copied.root)

    said = json.loads(
        holdstill(
            "offsite", "restore", copied.address, copied.root, "--json",
            "--recovery-key", copied.words, "--access-key", copied.access_key,
        )
    )  # fmt: skip

    assert len(said["captures"]) == 6
    assert [name.split("/")[1][:6] for name in said["captures"]] == [
        *("000003", "000003", "000002", "000002", "000001", "000001"),
    ]
    again = json.loads(holdstill("list", "--store", copied.root, "--json"))
    assert again["boards"] == listed["boards"]
    holdstill("verify", "--store", copied.root)
    # Nobody has shown the new keeper what is in the packs there: it sends its own once.
    assert copied.upload().sent.packs == 1
    assert copied.upload().sent.packs == 0
    before = len(copied.versions("packs/"))
    copied.capture("pier-3", FILES | {b"turn": b"after"})
    assert copied.upload().sent.bytes < 20_000
    assert len(copied.versions("packs/")) == before + 1


def test_verify_without_the_key_finds_everything_in_order(copied: CopiedStore) -> None:
    copied.capture("pier-3", FILES)
    copied.upload()

    words = ("offsite", "verify", copied.address, "--access-key", copied.access_key, "--json")
    for said in (
        json.loads(holdstill(*words)),
        json.loads(holdstill("offsite", "verify", "--store", copied.root, "--json")),
    ):
        assert (said["heads"], said["packs"], said["read"]) == (1, 1, 1)
        assert [said[key] for key in ("missing", "altered", "unlocked", "odd")] == [[]] * 4


def test_the_account_comes_near_to_what_is_sent(copied: CopiedStore) -> None:
    files = {b"n%03d" % number: os.urandom(2000) + bytes(6000) for number in range(300)}
    copied.capture("pier-3", files)
    words = ("offsite", "upload", "--store", copied.root, "--json")

    cost = json.loads(holdstill(*words, "--dry-run"))
    assert copied.versions("") == []
    report = copied.upload()

    assert abs(cost["sent_bytes"] - report.sent.bytes) < 0.2 * report.sent.bytes
    assert cost["objects"] == len(copied.versions(""))
    assert cost["once"] == pytest.approx(0.005 * 2 / 1000, rel=0.2)


def test_a_board_that_moves_to_another_keeper_is_not_sent_again(
    copied: CopiedStore, tmp_path: Path
) -> None:
    copied.capture("pier-3", FILES)
    copied.upload()
    other = CopiedStore(tmp_path / "other", copied.address, key=copied.key)
    other.set_up(keeper="fedcba9876543210")
    other.held.enrol_with("pier-3", copied.held.keys["pier-3"])
    other.clock.advance(60)  # names have seconds
    other.capture("pier-3", FILES | {b"etc/motd": b"moved\n"})

    report = other.upload(is_shared=True)

    assert (report.adopted, len(report.sent.captures)) == (1, 1)
    assert report.sent.bytes < 20_000
    # The first keeper forgets the board: the server keeps the pack, for the other one's lock.
    (pack,) = (one for one in copied.versions("packs/") if one.size > 300_000)
    end = other.bucket.locked(pack.key, pack.id).until
    assert end is not None
    with pytest.raises(LinkError):
        copied.bucket.delete(pack.key, pack.id)
    with other.library() as opened:
        briefs = opened.briefs(opened.boards()[0])
        assert len(briefs) == 2
        names = [f"pier-3/{brief.name}" for brief in briefs]
        assert FILES.items() <= other.restored(opened, names[-1]).items()
    found = check.check(other.bucket, Silent(), own=None, parts=1, turn=0)
    assert (found.missing, found.altered, found.unlocked) == ((), (), ())


def test_what_a_keeper_forgets_hides_nothing_that_another_one_has(
    copied: CopiedStore, tmp_path: Path
) -> None:
    """A board has moved, and the first keeper forgets it; both ledgers are in the same folder."""
    first = copied.capture("pier-3", FILES)
    copied.upload()
    other = CopiedStore(tmp_path / "other", copied.address, key=copied.key)
    other.set_up(keeper="0000000000000000")  # sorts first
    other.held.enrol_with("pier-3", copied.held.keys["pier-3"])
    other.clock.advance(60)
    second = other.capture("pier-3", FILES | {b"etc/motd": b"moved\n"})
    other.upload()
    path = other.root / "boards/pier-3/ledger.jsonl"
    event = ForgottenEvent(captures=(first,))
    lines = ledger.next_lines(ledger.parse(path.read_bytes()), [event], at="2026-11-30T02:00:00Z")
    path.write_bytes(path.read_bytes() + lines)
    other.capture("pier-3", FILES)
    other.upload()

    report = copied.restore(tmp_path / "again")

    assert f"pier-3/{first}" in report.captures
    assert f"pier-3/{second}" in report.captures
    assert report.left_out == []
    (trouble,) = report.troubles
    assert "have one each" in trouble.problem
    there = (tmp_path / "again/boards/pier-3/ledger.jsonl").read_bytes()
    assert there == path.read_bytes()


def junk_that_says_it_has(held: CopiedStore, digests: set[bytes], data: bytes) -> str:
    """Put a pack and a head under another keeper's name; return the pack's name."""
    name = hashlib.sha256(data).hexdigest()
    held.bucket.put(keeper_heads.pack_key(name), data, promises.md5_of(data))
    part = len(data) // 2  # so that it is worth taking over
    rows = b"".join(Row(one, 0, part, 0).encode() for one in sorted(digests))
    told = head.OpenPart(
        number=1, keeper="0" * 16, previous="", at="",
        came=(head.PackObject(name=name, size=len(data)),),
    )  # fmt: skip
    sealed = head.SealedPart(packs=(head.PackRows(name=name, sealed_key=b"k" * 80, rows=rows),))
    made = head.encode(told, sealed, held.key.of_keeper.heads)
    held.bucket.put(keeper_heads.key_of("0" * 16, 1), made, promises.md5_of(made))
    return name


def test_what_another_keeper_says_that_it_has_stands_in_for_nothing_here(
    copied: CopiedStore,
) -> None:
    """It is junk, as whoever has that keeper's keys can tell of it; no capture leaves for it."""
    new, shared = os.urandom(5000), os.urandom(200_000)
    copied.capture("pier-3", FILES)
    copied.upload()
    with sent.opened(copied.root / sent.NAME) as noted:
        (ours,) = noted.packs()
        here = {*noted.contents(ours.id)}
    junk = junk_that_says_it_has(copied, {*here, hashlib.sha256(new).digest()}, shared)
    copied.capture("pier-3", FILES | {b"new": new})

    assert copied.upload(is_shared=True).adopted == 1

    with sent.opened(copied.root / sent.NAME) as noted:
        assert {*noted.contents(ours.id)} == here
        assert noted.pack(junk).name == junk
    settings = offsite_settings.read(copied.root)
    proved = settings.keys.proof(settings.keeper)
    changed = msgspec.structs.replace(settings, keep_here=1, proved=proved)
    offsite_settings.write(copied.root, changed)
    copied.capture("pier-3", FILES)
    left = copied.upload(rule=Retention(days=100, at_least=100)).left
    assert [name.split("/")[1][:6] for name in left] == ["000001"]
    # When the notes are made again it is sent by this keeper itself, and may leave then.
    (copied.root / sent.NAME).unlink()
    left = copied.upload(rule=Retention(days=100, at_least=100)).left
    assert [name.split("/")[1][:6] for name in left] == ["000002"]
    with copied.library() as opened:
        assert copied.restored(opened, "pier-3/2") == FILES | {b"new": new}


def test_a_pack_of_another_keeper_with_other_bytes_is_not_taken_over(
    copied: CopiedStore,
) -> None:
    new = os.urandom(5000)
    good = os.urandom(10_000)
    name = hashlib.sha256(good).hexdigest()
    damaged = bytes([good[0] ^ 1]) + good[1:]
    copied.bucket.put(keeper_heads.pack_key(name), damaged, promises.md5_of(damaged))
    told = head.OpenPart(
        number=1, keeper="0" * 16, previous="", at="",
        came=(head.PackObject(name=name, size=len(good)),),
    )  # fmt: skip
    rows = Row(hashlib.sha256(new).digest(), 0, len(good), 0).encode()
    sealed = head.SealedPart(packs=(head.PackRows(name=name, sealed_key=b"k" * 80, rows=rows),))
    made = head.encode(told, sealed, copied.key.of_keeper.heads)
    copied.bucket.put(keeper_heads.key_of("0" * 16, 1), made, promises.md5_of(made))
    copied.capture("pier-3", {b"new": new})

    report = copied.upload(is_shared=True)

    assert report.adopted == 0
    with copied.library() as opened:
        assert copied.restored(opened, "pier-3") == {b"new": new}


def test_five_boards_are_made_again_and_the_next_night_sends_what_changed(
    server: Seaweed, tmp_path: Path
) -> None:
    held = CopiedStore(tmp_path, server.address())
    boards = [f"pier-{number}" for number in range(1, 6)]
    held.held.enrol(*boards)
    common = {b"usr/%d" % n: os.urandom(20_000) + bytes(20_000) for n in range(20)}
    for night in range(3):
        for board in boards:
            held.capture(board, common | {b"log": os.urandom(30_000), b"n": b"%d" % night})
        held.upload()
    there = contents_of(held.root)
    gone = tmp_path / "gone"
    held.root.rename(gone)

    report = held.restore(held.root)
    with held.library() as opened:
        goes_on = offsite_restore.continue_there(
            held.root, opened, held.key.of_keeper, access_key=str(held.access_key)
        )

    assert goes_on
    assert (len(report.captures), report.troubles) == (15, [])
    assert contents_of(held.root) == there
    for board in boards:
        name = Path("boards") / board / "ledger.jsonl"
        assert (held.root / name).read_bytes() == (gone / name).read_bytes()
    said = json.loads(holdstill("verify", "--store", held.root, "--json"))
    assert len(said["captures"]) == 15
    assert held.upload().sent.contents > 0
    assert held.upload().sent.packs == 0
    changed = os.urandom(100_000)
    for board in boards:
        held.capture(board, common | {b"log": board.encode() + changed, b"n": b"4"})
    last = held.upload()
    assert len(last.sent.captures) == 5
    assert last.sent.bytes <= 5 * len(changed) * 1.1 + (64 << 10)
    with held.library() as opened:
        for board in boards:
            assert held.restored(opened, board)[b"log"] == board.encode() + changed


def test_without_locks_nothing_of_another_keeper_is_relied_on(
    server: Seaweed, tmp_path: Path
) -> None:
    address = server.address(is_locked=False)
    one, other = (CopiedStore(tmp_path / name, address, lock_days=0) for name in ("one", "other"))
    other.key = one.key
    other.set_up(keeper="fedcba9876543210")
    for held in (one, other):
        held.held.enrol("pier-3")
        held.capture("pier-3", FILES)
    one.upload()

    report = other.upload(is_shared=True)

    assert report.adopted == 0
    assert report.sent.bytes > 300_000
