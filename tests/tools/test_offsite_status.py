"""How an off-site copy is doing, where people and machines look: status, watch, metrics."""

import dataclasses
import json
import os
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from holdstill.errors import HoldstillError, LinkError, VerificationError
from holdstill.offsite import offsite_settings
from holdstill.offsite.bucket_address import AccessKey
from support import faulty_proxy, seaweed
from support.command_line import attempt, holdstill
from support.faulty_proxy import Fault
from support.offsite import CopiedStore, access_key_file
from support.seaweed import Seaweed


@pytest.fixture
def copied(server: Seaweed, tmp_path: Path) -> CopiedStore:
    made = CopiedStore(tmp_path, server.address())
    made.held.enrol("pier-3")
    made.capture("pier-3", {b"etc/hostname": b"pier-3\n", b"srv/log": os.urandom(9000)})
    return made


def settings(held: CopiedStore) -> Path:
    path = held.folder / "keeper.yaml"
    path.write_text(
        f"store: {held.root}\nmin_free: 0\nmin_free_inodes: 0\n"
        f"notify:\n  metrics_file: {held.folder / 'keeper.prom'}\n"
    )
    return path


def looked(held: CopiedStore) -> tuple[list[str], dict[str, float]]:
    """Return what `status` says of the store, and the numbers that `watch` has written."""
    told = attempt(
        "status",
        "--settings",
        held.folder / "none.yaml",
        "--keeper-settings",
        settings(held),
        "--json",
    )
    attempt("keeper", "watch", "--settings", settings(held))
    text = (held.folder / "keeper.prom").read_text()
    numbers = {
        sample.name: sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }
    return json.loads(told.stdout)["store"], numbers


def test_a_copy_that_is_complete_is_told_in_numbers(copied: CopiedStore) -> None:
    copied.upload()

    said, numbers = looked(copied)

    assert said == []
    assert numbers["holdstill_offsite_troubles"] == 0
    arrived = numbers["holdstill_offsite_last_capture_timestamp_seconds"]
    assert arrived == numbers["holdstill_keeper_last_capture_timestamp_seconds"]


def test_a_server_that_cannot_be_reached_is_told_after_a_day(
    copied: CopiedStore, server: Seaweed
) -> None:
    copied.upload()
    with faulty_proxy.running(server.port) as proxy:
        proxy.planned(Fault.INTERNAL, 1, many=1000)
        with pytest.raises(LinkError):
            copied.upload(by_way_of=proxy.endpoint)
    said, numbers = looked(copied)
    assert said == []
    assert numbers["holdstill_offsite_troubles"] == 1

    notes = copied.root / "offsite-runs.json"
    notes.write_text(notes.read_text().replace('"since":"2', '"since":"1'))

    (sentence,) = looked(copied)[0]
    assert "InternalError" in sentence


def test_a_copy_that_was_set_up_and_never_sent_is_told_until_it_is(
    copied: CopiedStore, server: Seaweed
) -> None:
    (copied.root / offsite_settings.NAME).unlink()
    public = holdstill("offsite", "key").decode().splitlines()[-1]
    holdstill(
        "offsite", "setup", server.address(), "--store", copied.root, "--access-key",
        copied.access_key, "--public", public, "--lock-days", 1,
    )  # fmt: skip

    (said,) = looked(copied)[0]

    assert "no upload has come to its end since it was set up" in said
    copied.upload()
    assert looked(copied)[0] == []


def test_a_key_of_the_bucket_that_is_refused_is_told_at_once(copied: CopiedStore) -> None:
    copied.upload()
    wrong = AccessKey(seaweed.KEEPER.key_id, "not the secret")
    access_key_file(copied.access_key, wrong)

    with pytest.raises(LinkError):
        copied.upload()

    (said,) = looked(copied)[0]
    assert "off-site: not all is there" in said
    assert "SignatureDoesNotMatch" in said


def test_settings_that_cannot_be_read_are_told(copied: CopiedStore) -> None:
    copied.upload()
    path = copied.root / offsite_settings.NAME
    path.write_text(path.read_text() + "proved: twice\n")

    with pytest.raises(HoldstillError):
        copied.upload()

    (said,) = looked(copied)[0]
    assert "offsite.yaml" in said


def test_another_folder_than_before_is_told_and_nothing_put_there(copied: CopiedStore) -> None:
    copied.upload()
    there = copied.address
    copied.address = dataclasses.replace(there, prefix="elsewhere/")
    copied.set_up()

    with pytest.raises(VerificationError, match="nothing of this keeper is there") as caught:
        copied.upload()

    assert "another bucket or folder" in caught.value.hint
    (said,) = looked(copied)[0]
    assert "it has put 1 head" in said
    assert copied.versions("") == []
    copied.address = there
    copied.set_up()
    copied.upload()
    assert looked(copied)[0] == []


def test_what_verify_has_found_is_mended_and_stays_told_until_all_is_well(
    copied: CopiedStore, server: Seaweed
) -> None:
    copied.address = server.address(is_locked=False)
    copied.lock_days = 0
    copied.set_up()
    copied.upload()
    (pack,) = copied.versions("packs/")
    copied.bucket.delete(pack.key, pack.id)
    assert attempt("offsite", "verify", "--store", copied.root).returncode == 7

    said, _ = looked(copied)

    assert [pack.key.removeprefix("packs/") in text for text in said] == [True]
    # What was in it is sent again, then a head tells that it is gone.
    assert [copied.upload().sent.packs for _ in range(2)] == [1, 0]
    holdstill("offsite", "verify", "--store", copied.root)
    assert looked(copied)[0] == []
    with copied.library() as opened:
        assert len(copied.restored(opened, "pier-3")) == 2
