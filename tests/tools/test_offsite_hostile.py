"""Who has the key of the bucket, or a whole keeper, and means harm: named, and never restored."""

import dataclasses
import os
import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest
from botocore.exceptions import ClientError

from holdstill.errors import HoldstillError, LinkError, SecurityError
from holdstill.keeper.known_boards import KnownBoards
from holdstill.keeper.store_disk import StoreDisk
from holdstill.model.names import BoardName
from holdstill.offsite import check, head, keeper_heads, sent
from holdstill.offsite.bucket import Bucket, Version
from holdstill.offsite.check import OffsiteCheck, Own
from holdstill.offsite.recovery_key import RecoveryKey
from holdstill.records import signature
from holdstill.workflow.offsite_restore import RestoreReport
from support import bucket_harms, bucket_lies, seaweed
from support.bucket_harms import heads, packs, put
from support.bucket_lies import forged
from support.command_line import attempt
from support.offsite import CopiedStore, contents_of
from support.seaweed import Seaweed
from support.silence import Silent

FILES = {b"etc/hostname": b"pier-3\n", b"srv/readings": os.urandom(90_000)}
CHANGED = FILES | {b"etc/hostname": b"renamed\n"}
EXPECTED = {"pier-3/1": FILES, "pier-3/2": CHANGED}


@pytest.fixture
def copied(server: Seaweed, tmp_path: Path) -> CopiedStore:
    """Return a store with two captures, each sent in a night of its own."""
    made = CopiedStore(tmp_path, server.address())
    made.held.enrol("pier-3")
    for files in (FILES, CHANGED):
        made.capture("pier-3", files)
        made.upload()
    return made


def restores(held: CopiedStore) -> list[str]:
    """Read both captures whole; return what the catalogue says is wrong."""
    with held.library() as opened:
        for reference, files in EXPECTED.items():
            assert held.restored(opened, reference) == files
        return list(opened.catalogue.faults)


def verified(held: CopiedStore, *, with_notes: bool = False) -> OffsiteCheck:
    own = None
    if with_notes:
        settings = held.set_up()
        with sent.opened(held.root / sent.NAME) as noted:
            last = noted.last_head()
            put_by_it = noted.every_head()
            own = Own(settings.keeper, settings.keys.heads, last, lambda: put_by_it)
    return check.check(held.bucket, Silent(), own=own, parts=1, turn=0)


def goes_on(held: CopiedStore) -> None:
    """Have the keeper live through another night; what is there then is whole, and checked so."""
    files = CHANGED | {b"more": os.urandom(100)}
    held.capture("pier-3", files)
    assert len(held.upload().sent.captures) == 1
    with held.library() as opened:
        assert held.restored(opened, "pier-3/3") == files
    assert {*verified(held, with_notes=True).missing} <= {f"pack {'ab' * 32}"}  # lies of a thief
    made_again(held, 3)


def made_again(held: CopiedStore, captures: int) -> RestoreReport:
    """Make the keeper again elsewhere: so many captures of pier-3 are what they were."""
    again = held.folder / "again"
    report = held.restore(again)
    assert len([name for name in report.captures if name.startswith("pier-3/")]) == captures
    there = contents_of(held.root)
    assert contents_of(again).items() <= there.items()
    if captures == len([*held.root.glob("boards/pier-3/captures/*")]):
        assert contents_of(again).keys() == there.keys()
    assert report.left_out == []
    shutil.rmtree(again)
    return report


@pytest.mark.parametrize("harm", bucket_harms.ON_ONE, ids=lambda harm: harm.__name__)
def test_what_was_locked_still_restores(
    harm: Callable[[CopiedStore, Version], None], copied: CopiedStore
) -> None:
    for one in (*heads(copied), *packs(copied)):  # two heads, two packs
        with suppress(ClientError):  # refused, where the harm does not say that it must be
            harm(copied, one)

    restores(copied)
    found = verified(copied)
    assert found.missing == ()
    assert (found.heads, found.packs) == (2, 2)
    goes_on(copied)


def test_harm_to_the_bucket_leaves_what_was_locked(server: Seaweed, tmp_path: Path) -> None:
    held = CopiedStore(tmp_path, server.address(of_its_own="harmed"))
    held.held.enrol("pier-3")
    for files in (FILES, CHANGED):
        held.capture("pier-3", files)
        held.upload()
    for harm in bucket_harms.ON_BUCKET:
        with suppress(ClientError):
            harm(held)
        for one in (*heads(held)[:2], *packs(held)[:2]):
            with suppress(ClientError, LinkError):
                held.bucket.delete(one.key, one.id)
        restores(held)


def test_what_is_tried_has_many_kinds() -> None:
    kinds = {*bucket_harms.ON_ONE, *bucket_harms.ON_BUCKET, *bucket_lies.THAT_LIE}
    assert len(kinds) >= 50


@pytest.mark.parametrize("lie", bucket_lies.THAT_LIE, ids=lambda lie: lie.__name__)
def test_lies_change_nothing_that_was_told(
    lie: Callable[[CopiedStore], None], copied: CopiedStore
) -> None:
    there = copied.versions("")

    lie(copied)

    assert {*there} < {*copied.versions("")}
    restores(copied)
    made_again(copied, 2)


@pytest.mark.parametrize(
    "lie",
    [*bucket_lies.WITHOUT_KEYS, *bucket_lies.UNDER_ANOTHER_NAME],
    ids=lambda lie: lie.__name__,
)
def test_the_keeper_goes_on_beside_what_is_nobodys_head(
    lie: Callable[[CopiedStore], None], copied: CopiedStore
) -> None:
    lie(copied)

    goes_on(copied)


@pytest.mark.parametrize("lie", bucket_lies.IN_ITS_NAME, ids=lambda lie: lie.__name__)
def test_the_keeper_believes_no_head_that_it_has_not_put(
    lie: Callable[[CopiedStore], None], copied: CopiedStore
) -> None:
    """It says so, sends nothing, lets nothing go, and keeps locked what is its own."""
    ours = copied.versions("")
    lie(copied)
    there = copied.versions("")
    copied.capture("pier-3", CHANGED | {b"more": b"more"})
    copied.make_locks_due()
    copied.lock_days = 5
    copied.set_up()

    with pytest.raises(SecurityError, match="this store has not put head"):
        copied.upload()

    assert copied.versions("") == there
    for one in ours:
        end = copied.bucket.locked(one.key, one.id).until
        assert end is not None
        assert (end - copied.bucket.now()).total_seconds() > 4.9 * 86400
    found = verified(copied, with_notes=True)
    assert any("this keeper has not put it" in text for text in found.altered)
    assert found.missing == ()
    made_again(copied, 2)


@pytest.mark.parametrize("lie", bucket_lies.THAT_LIE, ids=lambda lie: lie.__name__)
def test_notes_made_again_beside_lies_forget_nothing(
    lie: Callable[[CopiedStore], None], copied: CopiedStore
) -> None:
    """Who has lost the notes cannot tell whose a head is, and goes on all the same, or says no."""
    ours = {one.key.removeprefix("packs/") for one in packs(copied)}
    lie(copied)
    (copied.root / sent.NAME).unlink()
    files = CHANGED | {b"more": b"more"}
    copied.capture("pier-3", files)
    copied.lock_days = 5
    copied.set_up()

    if lie in (
        bucket_lies.a_gap_and_a_new_beginning, bucket_lies.a_head_far_off_that_merges_all,
    ):  # fmt: skip
        with pytest.raises(SecurityError, match="does not follow"):
            copied.upload()
        made_again(copied, 2)
        return
    copied.upload()

    with sent.opened(copied.root / sent.NAME) as noted:
        assert ours <= {pack.name for pack in noted.packs()}
    for one in packs(copied):
        if one.key.removeprefix("packs/") in ours:
            end = copied.bucket.locked(one.key, one.id).until
            assert end is not None
            assert (end - copied.bucket.now()).total_seconds() > 4.9 * 86400
    with copied.library() as opened:
        assert copied.restored(opened, "pier-3/3") == files
    made_again(copied, 3)
    copied.upload()  # what an invented capture was told to have is let go, then ours is sent
    assert copied.upload().sent.packs == 0


def test_a_head_that_merges_all_lets_none_go_when_notes_are_made_again(
    copied: CopiedStore,
) -> None:
    bucket_lies.all_merged_to_nothing(copied)
    (copied.root / sent.NAME).unlink()
    copied.upload()

    with sent.opened(copied.root / sent.NAME) as noted:
        assert all(not one.merged_by for one in noted.heads())


def test_lines_that_go_on_from_the_ledger_are_believed_and_said(copied: CopiedStore) -> None:
    """Nobody can tell them from the keeper's own; what they give up can be had all the same."""
    bucket_lies.lines_that_give_all_up(copied)

    done = attempt(
        "offsite", "restore", copied.address, copied.folder / "again",
        "--recovery-key", copied.words, "--access-key", copied.access_key,
    )  # fmt: skip

    assert done.returncode == 8
    assert b"LEFT OUT: 2 captures" in done.stdout
    restores(copied)


def test_a_capture_by_a_key_that_came_later_is_not_taken_unasked(copied: CopiedStore) -> None:
    fingerprint = bucket_lies.a_capture_by_another_key(copied)

    with copied.library() as opened:
        assert any(fingerprint in fault for fault in opened.find("pier-3").faults)
    again = copied.folder / "again"
    report = copied.restore(again)
    assert len(report.captures) == 2
    (trouble,) = report.troubles
    assert trouble.exit_code == 9
    assert fingerprint in trouble.problem
    enrolled = (again / "boards/pier-3/enrolment.yaml").read_bytes()
    assert enrolled == (copied.root / "boards/pier-3/enrolment.yaml").read_bytes()
    assert KnownBoards(again / "boards.txt", again, StoreDisk()).newest(BoardName("pier-3")) == 2
    # Unless the owner says that the board was given this key.
    with copied.library(accepted=(fingerprint,)) as opened:
        assert opened.find("pier-3").faults == ()
    assert len(copied.restore(copied.folder / "other", accepted=(fingerprint,)).captures) == 3


def test_a_key_that_another_keeper_tells_of_is_not_taken_for_the_boards(
    copied: CopiedStore,
) -> None:
    """Nobody can say which of the two keepers is the real one: so the owner is asked."""
    theirs = bucket_lies.a_capture_by_another_key(
        copied, keeper=bucket_lies.INVENTED, number=1, previous=""
    )
    ours = signature.fingerprint(copied.held.keys["pier-3"].public)

    with copied.library() as opened:
        assert any(theirs in fault for fault in opened.find("pier-3/999999").faults)
        assert any(ours in fault for fault in opened.find("pier-3/2").faults)
    report = copied.restore(copied.folder / "again")
    (trouble,) = report.troubles
    assert report.captures == []
    assert ours in trouble.problem
    with copied.library(accepted=(ours,)) as opened:
        for reference, files in EXPECTED.items():
            assert copied.restored(opened, reference) == files
        assert any(theirs in fault for fault in opened.find("pier-3/999999").faults)
    report = copied.restore(copied.folder / "again", accepted=(ours,))
    assert len(report.captures) == 2
    enrolled = (copied.folder / "again/boards/pier-3/enrolment.yaml").read_bytes()
    assert enrolled == (copied.root / "boards/pier-3/enrolment.yaml").read_bytes()


def test_a_head_by_somebody_without_the_key_is_named_and_not_used(copied: CopiedStore) -> None:
    forged(copied, 3, os.urandom(32))

    assert any("head 3" in fault for fault in restores(copied))
    assert any("head 3" in text for text in verified(copied, with_notes=True).altered)
    copied.capture("pier-3", CHANGED | {b"more": b"more"})
    report = copied.upload()
    assert any("head 3" in text for text in report.warnings)
    assert len(report.sent.captures) == 1
    with copied.library() as opened:
        assert copied.restored(opened, "pier-3/3") == CHANGED | {b"more": b"more"}


def test_what_is_put_over_a_head_is_not_older_for_a_lock_that_was_lengthened(
    copied: CopiedStore,
) -> None:
    """A server may give a version a new date then."""
    keys = copied.key.of_keeper
    real = head.decode(copied.bucket.read(heads(copied)[-1]), keys.heads)
    put(copied, heads(copied)[-1].key, head.encode(real.open, head.SealedPart(), keys.heads))
    copied.make_locks_due()
    copied.lock_days = 5
    copied.set_up()

    copied.upload()

    restores(copied)
    assert any("put another over it" in text for text in verified(copied, with_notes=True).odd)


def test_a_head_of_an_older_place_is_named(copied: CopiedStore) -> None:
    first = copied.bucket.read(heads(copied)[0])
    put(copied, keeper_heads.key_of("0123456789abcdef", 3), first)

    assert any("it is head 1" in fault for fault in restores(copied))


def test_a_thief_of_the_keeper_can_tell_more_and_change_nothing(copied: CopiedStore) -> None:
    """Who has the key of heads as well says where contents are, falsely."""
    keys = copied.key.of_keeper
    real = head.decode(copied.bucket.read(heads(copied)[-1]), keys.heads)
    first = head.decode(copied.bucket.read(heads(copied)[0]), keys.heads)
    rows = first.sealed.packs[0].rows
    lie = head.SealedPart(
        packs=(head.PackRows(name="ab" * 32, sealed_key=b"k" * 80, rows=rows),),
        captures=tuple(
            head.SentCapture(board=one.board, brief=one.brief, documents=(bytes(32),) * 3)
            for one in first.sealed.captures
        ),
        released=(("pier-3", first.sealed.captures[0].brief.name),),
    )
    told = head.OpenPart(
        number=3, keeper=real.open.keeper, previous=real.digest, at=real.open.at,
        came=(head.PackObject(name="ab" * 32, size=1000),), went=(real.open.came[0].name,),
    )  # fmt: skip
    put(copied, keeper_heads.key_of(real.open.keeper, 3), head.encode(told, lie, keys.heads))

    faults = restores(copied)

    assert any("another capture" in fault for fault in faults)
    assert f"pack {'ab' * 32}" in verified(copied).missing


def test_a_copy_of_the_store_that_writes_there_too_is_noticed(copied: CopiedStore) -> None:
    keys = copied.key.of_keeper
    real = head.decode(copied.bucket.read(heads(copied)[-1]), keys.heads)
    part = head.OpenPart(number=3, keeper=real.open.keeper, previous="ef" * 32, at=real.open.at)
    put(
        copied, keeper_heads.key_of(real.open.keeper, 3),
        head.encode(part, head.SealedPart(), keys.heads),
    )  # fmt: skip

    with pytest.raises(SecurityError, match="this store has not put head 3"):
        copied.upload()


def test_another_recovery_key_is_told_so(copied: CopiedStore) -> None:
    copied.key = RecoveryKey.made()

    with pytest.raises(SecurityError, match="no head there was made for this recovery key"):
        restores(copied)


def test_an_address_with_nothing_is_told_so(copied: CopiedStore) -> None:
    copied.address = dataclasses.replace(copied.address, prefix="elsewhere/")

    with pytest.raises(HoldstillError, match="no off-site copy"):
        restores(copied)


# Without locks, what a thief does is named, and nothing wrong is restored.


@pytest.fixture
def unlocked(server: Seaweed, tmp_path: Path) -> CopiedStore:
    made = CopiedStore(tmp_path, server.address(is_locked=False), lock_days=0)
    made.held.enrol("pier-3")
    for files in (FILES, CHANGED):
        made.capture("pier-3", files)
        made.upload()
    return made


@pytest.mark.parametrize("harm", bucket_harms.OVER_ONE, ids=lambda harm: harm.__name__)
def test_without_locks_it_is_named_and_never_restored(
    harm: Callable[[CopiedStore, Version], None], unlocked: CopiedStore
) -> None:
    there = {one: unlocked.bucket.read(one) for one in (*packs(unlocked), *heads(unlocked))}
    for one, data in there.items():
        harm(unlocked, one)
        left = unlocked.versions(one.key)
        if left and unlocked.bucket.read(left[0]) == data:
            continue  # what was put over it is what another one was given before

        found = check.check(
            unlocked.bucket, Silent(), own=_own(unlocked), parts=1, turn=0, is_locked=False
        )
        kind, _, name = one.key.rpartition("/")
        named = f"pack {name}" if kind == "packs" else f"head {int(name)} "
        assert any(text.startswith(named) for text in (*found.missing, *found.altered))
        for reference, files in EXPECTED.items():
            with suppress(HoldstillError), unlocked.library() as opened:
                assert unlocked.restored(opened, reference) == files


def _own(held: CopiedStore) -> Own:
    keys = held.key.of_keeper
    with sent.opened(held.root / sent.NAME) as noted:
        return Own("0123456789abcdef", keys.heads, noted.last_head(), None)


def test_setup_refuses_a_server_without_locks(unlocked: CopiedStore) -> None:
    (unlocked.root / "offsite.yaml").unlink()

    done = attempt(
        "offsite", "setup", unlocked.address, "--store", unlocked.root,
        "--access-key", unlocked.access_key, "--public", unlocked.key.of_keeper.text,
    )  # fmt: skip

    assert done.returncode == 9
    assert b"locks an object (COMPLIANCE): NO" in done.stdout
    assert not (unlocked.root / "offsite.yaml").exists()


def test_a_bucket_that_is_not_there_is_told_so(server: Seaweed) -> None:
    address = dataclasses.replace(server.address(), bucket="not-there")

    with pytest.raises(LinkError):
        list(Bucket(address, seaweed.KEEPER, attempts=1).versions(""))
