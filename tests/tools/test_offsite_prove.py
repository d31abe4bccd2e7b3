"""A recovery key shows that it opens a copy before `keep_here` may make that the only one."""

import json
import os
from pathlib import Path

import msgspec
import pytest

from holdstill.errors import DocumentError, SecurityError
from holdstill.offsite import offsite_settings
from holdstill.offsite.recovery_key import RecoveryKey
from support.command_line import attempt, holdstill
from support.offsite import CopiedStore
from support.seaweed import Seaweed

FILES = {b"etc/hostname": b"pier-3\n"}


@pytest.fixture
def copied(server: Seaweed, tmp_path: Path) -> CopiedStore:
    made = CopiedStore(tmp_path, server.address())
    made.held.enrol("pier-3")
    made.capture("pier-3", FILES)
    return made


def words(held: CopiedStore) -> tuple[object, ...]:
    return ("offsite", "prove", held.address, *held.access()[2:])


def test_what_it_prints_is_what_keep_here_needs(copied: CopiedStore) -> None:
    newest = copied.capture("pier-3", FILES | {b"etc/motd": b"calm\n"})
    copied.upload()
    path = copied.root / offsite_settings.NAME
    text = path.read_text().replace("keep_here: 0", "keep_here: 1")
    path.write_text(text)
    with pytest.raises(DocumentError, match="needs proved"):
        copied.upload()

    said = holdstill(*words(copied)).decode()

    assert f"pier-3/{newest} was opened, and the keys of 1 pack" in said
    path.write_text(text.replace("proved: ''", said.splitlines()[-1]))
    assert len(copied.upload().left) == 1


def test_what_is_in_packs_that_are_gone_is_not_said_to_be_there(
    copied: CopiedStore, server: Seaweed
) -> None:
    """As where a lock had ended. The documents are mostly in the other pack, which is there."""
    copied.address = server.address(is_locked=False)
    copied.lock_days = 0
    copied.set_up()
    copied.capture("pier-3", {b"%d" % n: os.urandom(3 << 20) for n in range(12)})
    copied.upload()
    first, *others = sorted(copied.versions("packs/"), key=lambda one: -one.size)
    assert others
    copied.bucket.delete(first.key, first.id)
    name = first.key.removeprefix("packs/")

    listed = attempt("list", *copied.access())
    proved = attempt(*words(copied))

    for done in (listed, proved):
        assert f"not there: 1 pack that heads tell of, as {name}".encode() in done.stderr
        assert b"A list does not look at what captures need" in done.stderr
    said = proved.stdout.decode()
    if b" is in no pack that is there" in proved.stderr:
        # A document was packed with the contents, as their digests fall: nothing is proved then.
        assert "proved: " not in said
        return
    assert f"the keys of {len(others)} pack" in said, proved.stderr
    assert "(not there any more: 1 pack), but not what is in them" in said
    assert json.loads(holdstill(*words(copied), "--json"))["proofs"][0]["lost"] == [name]


def test_a_keeper_that_seals_for_another_key_is_named(copied: CopiedStore) -> None:
    settings = offsite_settings.read(copied.root)
    stranger = CopiedStore(copied.folder / "other", copied.address, key=RecoveryKey.made())
    of_stranger = offsite_settings.read(stranger.root).recipient
    offsite_settings.write(copied.root, msgspec.structs.replace(settings, recipient=of_stranger))
    copied.upload()

    done = attempt(*words(copied), "--json")

    said = json.loads(done.stdout)
    assert done.returncode == SecurityError.exit_code
    assert said["proofs"] == []
    assert settings.keeper in said["troubles"][0]["board"]
    assert "not sealed for this recovery key" in said["troubles"][0]["problem"]


def test_a_file_of_the_recovery_key_that_others_may_read_is_refused(copied: CopiedStore) -> None:
    copied.upload()
    copied.words.chmod(0o644)

    done = attempt("list", *copied.access())

    assert done.returncode == 2
    assert b"others may read" in done.stderr
    assert b"chmod 600" in done.stderr
