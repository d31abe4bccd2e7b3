"""Who has the key of the bucket, or a whole keeper, and means harm: named, and never restored."""

import dataclasses
import os
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import pytest
from botocore.exceptions import ClientError

from holdstill.errors import HoldstillError, LinkError, SecurityError
from holdstill.offsite import check, head, keeper_heads, promises, sent
from holdstill.offsite.bucket import Bucket, Version
from holdstill.offsite.check import OffsiteCheck, Own
from holdstill.offsite.recovery_key import RecoveryKey
from support import seaweed
from support.command_line import attempt
from support.offsite import CopiedStore
from support.seaweed import Seaweed
from support.silence import Silent

FILES = {b"etc/hostname": b"pier-3\n", b"srv/readings": os.urandom(90_000)}
CHANGED = FILES | {b"etc/hostname": b"renamed\n"}
EXPECTED = {"pier-3/1": FILES, "pier-3/2": CHANGED}


@pytest.fixture(scope="module")
def server() -> Iterator[Seaweed]:
    with seaweed.running() as one:
        yield one


@pytest.fixture
def copied(server: Seaweed, tmp_path: Path) -> CopiedStore:
    """Return a store with two captures, each sent in a night of its own."""
    made = CopiedStore(tmp_path, server.address())
    made.held.enrol("pier-3")
    for files in (FILES, CHANGED):
        made.capture("pier-3", files)
        made.upload()
    return made


def put(held: CopiedStore, key: str, data: bytes) -> None:
    held.bucket.put(key, data, promises.md5_of(data))


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
            own = Own(settings.keeper, settings.keys.heads, noted.last_head())
    return check.check(held.bucket, Silent(), own=own, parts=1, turn=0)


def heads(held: CopiedStore) -> list[Version]:
    return held.versions("keepers/")


def packs(held: CopiedStore) -> list[Version]:
    return held.versions("packs/")


def _refused(call: Callable[[], object]) -> None:
    with pytest.raises((ClientError, LinkError)):
        call()


# What who has the keeper's key of the bucket can try on one object.


def overwrite(held: CopiedStore, one: Version) -> None:
    put(held, one.key, b"nothing of the kind")


def overwrite_longer(held: CopiedStore, one: Version) -> None:
    put(held, one.key, held.bucket.read(one) + b"more")


def overwrite_with_a_bit_changed(held: CopiedStore, one: Version) -> None:
    data = bytearray(held.bucket.read(one))
    data[-20] ^= 1
    put(held, one.key, bytes(data))


def overwrite_with_nothing(held: CopiedStore, one: Version) -> None:
    put(held, one.key, b"")


def overwrite_with_another(held: CopiedStore, one: Version) -> None:
    others = [v for v in held.versions(one.key.split("/")[0]) if v.key != one.key]
    put(held, one.key, held.bucket.read(others[0]))


def hide(held: CopiedStore, one: Version) -> None:
    held.bucket.delete(one.key, "")


def hide_and_overwrite(held: CopiedStore, one: Version) -> None:
    hide(held, one)
    overwrite(held, one)
    hide(held, one)


def overwrite_often(held: CopiedStore, one: Version) -> None:
    for number in range(5):
        put(held, one.key, os.urandom(1000 + number))


def delete(held: CopiedStore, one: Version) -> None:
    _refused(lambda: held.bucket.delete(one.key, one.id))


def delete_with_bypass(held: CopiedStore, one: Version) -> None:
    def call() -> None:
        held.bucket.client.delete_object(
            Bucket=held.address.bucket, Key=held.address.prefix + one.key, VersionId=one.id,
            BypassGovernanceRetention=True,
        )  # fmt: skip

    _refused(call)


def delete_many(held: CopiedStore, one: Version) -> None:
    key = held.address.prefix + one.key
    said = held.bucket.client.delete_objects(
        Bucket=held.address.bucket, Delete={"Objects": [{"Key": key, "VersionId": one.id}]}
    )
    assert said.get("Errors")


def shorten(held: CopiedStore, one: Version) -> None:
    soon = held.bucket.now() + timedelta(seconds=1)
    _refused(lambda: held.bucket.extend(one.key, one.id, soon))


def lift(held: CopiedStore, one: Version) -> None:
    def call() -> None:
        held.bucket.client.put_object_retention(
            Bucket=held.address.bucket, Key=held.address.prefix + one.key, VersionId=one.id,
            BypassGovernanceRetention=True, Retention={},
        )  # fmt: skip

    _refused(call)


def lengthen(held: CopiedStore, one: Version) -> None:
    held.bucket.extend(one.key, one.id, held.bucket.now() + timedelta(days=30))


def copy_over(held: CopiedStore, one: Version) -> None:
    others = [v for v in held.versions(one.key.split("/")[0]) if v.key != one.key]
    source = {"Bucket": held.address.bucket, "Key": held.address.prefix + others[0].key}
    held.bucket.client.copy_object(
        Bucket=held.address.bucket, Key=held.address.prefix + one.key,
        CopySource={"Bucket": source["Bucket"], "Key": source["Key"]},
    )  # fmt: skip


ON_ONE = (
    overwrite, overwrite_longer, overwrite_with_a_bit_changed, overwrite_with_nothing,
    overwrite_with_another, hide, hide_and_overwrite, overwrite_often, delete,
    delete_with_bypass, delete_many, shorten, lift, lengthen, copy_over,
)  # fmt: skip


@pytest.mark.parametrize("harm", ON_ONE, ids=lambda harm: harm.__name__)
def test_what_was_locked_still_restores(
    harm: Callable[[CopiedStore, Version], None], copied: CopiedStore
) -> None:
    for one in (*heads(copied), *packs(copied)):  # two heads, two packs
        harm(copied, one)

    restores(copied)
    found = verified(copied)
    assert found.missing == ()
    assert (found.heads, found.packs) == (2, 2)
    # The keeper itself goes on.
    copied.capture("pier-3", CHANGED | {b"more": os.urandom(100)})
    assert len(copied.upload().sent.captures) == 1


def forged(held: CopiedStore, number: int, key: bytes, **changed: object) -> None:
    """Put a head that tells something else, made with a key."""
    last = heads(held)[-1]
    real = head.decode(held.bucket.read(last), held.key.of_keeper.heads)
    told = {"number": number, "previous": real.digest} | changed
    part = head.OpenPart(
        number=number, keeper=real.open.keeper, at=real.open.at, previous=str(told["previous"])
    )
    data = head.encode(part, real.sealed, key)
    put(held, keeper_heads.key_of(real.open.keeper, number), data)


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

    with pytest.raises(SecurityError, match="does not follow"):
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


@pytest.mark.parametrize("harm", [overwrite, overwrite_longer, overwrite_with_a_bit_changed,
                                  overwrite_with_nothing, overwrite_with_another, hide],
                         ids=lambda harm: harm.__name__)  # fmt: skip
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
        return Own("0123456789abcdef", keys.heads, noted.last_head())


def test_setup_refuses_a_server_without_locks(unlocked: CopiedStore) -> None:
    (unlocked.root / "offsite.yaml").unlink()

    done = attempt(
        "offsite", "setup", unlocked.address, "--store", unlocked.root,
        "--access-key", unlocked.access_key, "--public", "x",
    )  # fmt: skip

    assert done.returncode == 9
    assert b"locks an object (COMPLIANCE): NO" in done.stdout
    assert not (unlocked.root / "offsite.yaml").exists()


def test_a_bucket_that_is_not_there_is_told_so(server: Seaweed) -> None:
    address = dataclasses.replace(server.address(), bucket="not-there")

    with pytest.raises(LinkError):
        list(Bucket(address, seaweed.KEEPER, attempts=1).versions(""))
