"""How an off-site copy begins: the recovery key on paper, and a server that is tried out."""

import json
import re
from pathlib import Path

import pytest

from holdstill.offsite import offsite_settings
from holdstill.offsite.bucket import Bucket
from holdstill.offsite.recovery_key import RecoveryKey
from support import offsite, seaweed
from support.command_line import attempt, holdstill
from support.keeping import FakeClock
from support.seaweed import Seaweed
from support.signed_store import SignedStore
from support.terminals import Terminal, at_a_terminal

LINE = re.compile(r"^  ([1-5])\.  ([A-Z ]+)$", re.MULTILINE)


def asked(person: Terminal) -> str:
    """Return the number of the line that is asked for."""
    person.expect(", from the paper")
    asked_for = person.said.rpartition(", from the paper")[0]
    return asked_for[-1]


@pytest.fixture
def held(tmp_path: Path) -> SignedStore:
    made = SignedStore(tmp_path)
    made.enrol("pier-3")
    return made


def test_the_key_is_shown_written_down_and_then_in_no_file(
    server: Seaweed, held: SignedStore
) -> None:
    access = offsite.access_key_file(held.folder / "bucket.key", seaweed.KEEPER)
    words = ("offsite", "setup", server.address(), "--store", held.root, "--access-key", access)
    with at_a_terminal(*words, "--lock-days", 2) as (person, process):
        person.answer("then press Enter", "")
        lines = dict(LINE.findall(person.said))
        assert asked(person) == "1"
        person.answer(":", "not what is on the paper")
        person.expect("That is not the line")
        for number in "12345":  # each of them: a line that is illegible loses everything
            assert asked(person) == number
            person.answer(":", lines[number].lower())
        person.expect("is written")
        person.to_the_end()
        assert process.wait(10) == 0

    key = RecoveryKey.of_words(" ".join(lines[number] for number in "12345"))
    settings = offsite_settings.read(held.root)
    assert settings.keys == key.of_keeper
    assert f"keeper: {settings.keeper}" in person.said
    assert f"fingerprint: {key.of_keeper.fingerprint}" in person.said
    assert settings.lock_days == 2
    assert "█" in person.said
    refused = [line for line in person.said.splitlines() if ": NO" in line]
    # What only some servers do (Ceph RGW does neither) is told, and nothing relies on it.
    assert all("nothing here relies on it" in line for line in refused)
    everything = b"".join(p.read_bytes() for p in held.root.rglob("*") if p.is_file())
    assert key.seed not in everything
    assert all(line.encode() not in everything for line in key.lines)
    assert (held.root / offsite_settings.NAME).stat().st_mode & 0o777 == 0o600


def test_without_a_terminal_nothing_is_tried_there(server: Seaweed, held: SignedStore) -> None:
    access = offsite.access_key_file(held.folder / "bucket.key", seaweed.KEEPER)
    address = server.address()

    done = attempt("offsite", "setup", address, "--store", held.root, "--access-key", access)

    assert done.returncode == 2
    assert b"is shown in a terminal" in done.stderr
    assert b": yes" not in done.stdout
    assert [*Bucket(address, seaweed.KEEPER).versions("trial/")] == []


def test_two_papers_can_be_told_apart() -> None:
    first, second = (holdstill("offsite", "key").decode() for _ in range(2))

    prints = [re.findall(r"fingerprint: ([0-9a-f]{8})$", said, re.MULTILINE) for said in
              (first, second)]  # fmt: skip
    assert [len(one) for one in prints] == [1, 1]
    assert prints[0] != prints[1]
    for said, (of_key,) in zip((first, second), prints, strict=True):
        lines = dict(LINE.findall(said))
        key = RecoveryKey.of_words(" ".join(lines[number] for number in "12345"))
        assert key.of_keeper.fingerprint == of_key


def test_a_key_that_was_not_written_down_sets_up_nothing(
    server: Seaweed, held: SignedStore
) -> None:
    access = offsite.access_key_file(held.folder / "bucket.key", seaweed.KEEPER)
    words = ("offsite", "setup", server.address(), "--store", held.root, "--access-key", access)
    with at_a_terminal(*words) as (person, process):
        person.answer("then press Enter", "")
        for _ in range(3):
            person.answer(", from the paper:", "no idea")
        person.expect("was not written down")
        person.to_the_end()
        assert process.wait(10) == 2

    assert not offsite_settings.is_there(held.root)


def test_a_key_from_another_machine_seals_here_and_opens_there(
    server: Seaweed, held: SignedStore, tmp_path: Path
) -> None:
    paper = tmp_path / "elsewhere.txt"
    said = holdstill("offsite", "key", "--to", paper).decode()
    address, access = server.address(), offsite.access_key_file(tmp_path / "k", seaweed.KEEPER)
    assert paper.stat().st_mode & 0o077 == 0
    holdstill(
        "offsite", "setup", address, "--store", held.root, "--access-key", access,
        "--public", said.splitlines()[-1], "--lock-days", 1, "--price", 0.02, 0.005, 0.0004,
        "--rate", "50M",
    )  # fmt: skip
    held.capture("pier-3", {b"a": b"a"}, clock=FakeClock())

    holdstill("offsite", "upload", "--store", held.root)

    listed = json.loads(
        holdstill("list", "--store", address, "--recovery-key", paper, "--access-key", access,
                  "--json")
    )  # fmt: skip
    assert len(listed["boards"]["pier-3"]) == 1


def test_a_second_setup_needs_to_be_meant(server: Seaweed, held: SignedStore) -> None:
    access = offsite.access_key_file(held.folder / "bucket.key", seaweed.KEEPER)
    public = holdstill("offsite", "key").decode().splitlines()[-1]
    words = ("offsite", "setup", server.address(), "--store", held.root, "--access-key", access,
             "--public", public)  # fmt: skip
    holdstill(*words)
    before = offsite_settings.read(held.root)

    again = attempt(*words)

    assert again.returncode == 2
    assert offsite_settings.read(held.root) == before
    holdstill(*words, "--again")
    assert offsite_settings.read(held.root).keeper != before.keeper


def test_an_access_key_that_others_may_read_is_refused(server: Seaweed, held: SignedStore) -> None:
    access = offsite.access_key_file(held.folder / "bucket.key", seaweed.KEEPER)
    access.chmod(0o644)

    done = attempt(
        "offsite", "setup", server.address(), "--store", held.root, "--access-key", access
    )

    assert done.returncode == 2
    assert b"chmod 600" in done.stderr
