"""The keeper's disk as a cache: what is safely off-site leaves, and comes when asked for."""

import json
import os
from contextlib import suppress
from pathlib import Path

import msgspec
import pytest

from holdstill.errors import DocumentError, LinkError
from holdstill.model.settings import Retention
from holdstill.offsite import check, offsite_settings, run_notes, sent
from support import faulty_proxy
from support.command_line import attempt, holdstill
from support.faulty_proxy import Fault
from support.offsite import CopiedStore
from support.seaweed import Seaweed
from support.silence import Silent

SHARED = {b"etc/hostname": b"pier-3\n", b"srv/kept": os.urandom(20_000)}
ALL = Retention(days=100, at_least=100)


def files(night: int) -> dict[bytes, bytes]:
    return SHARED | {b"night": b"%d" % night * 3000}


@pytest.fixture
def copied(server: Seaweed, tmp_path: Path) -> CopiedStore:
    """Return a store with four captures, of which two may stay."""
    made = CopiedStore(tmp_path, server.address())
    made.held.enrol("pier-3")
    for night in range(1, 5):
        made.capture("pier-3", files(night))
    keep_here(made, 2)
    return made


def keep_here(held: CopiedStore, most: int) -> None:
    settings = offsite_settings.read(held.root)
    proved = settings.keys.proof(settings.keeper)
    changed = msgspec.structs.replace(settings, keep_here=most, proved=proved)
    offsite_settings.write(held.root, changed)


def here(held: CopiedStore) -> list[str]:
    """Return the numbers of the captures that are in the store."""
    return sorted(p.name[:6] for p in (held.root / "boards/pier-3/captures").iterdir())


def all_are_there(held: CopiedStore, *nights: int) -> None:
    with held.library() as opened:
        for night in nights:
            assert held.restored(opened, f"pier-3/{night}") == files(night)
    found = check.check(held.bucket, Silent(), own=None, parts=1, turn=0)
    assert (found.missing, found.altered, found.unlocked) == ((), (), ())


def collect(held: CopiedStore) -> None:
    """Have contents go that nothing in the store needs."""
    holdstill("thin", "--apply", "--settings", all_stay(held.folder, held.root))


def all_stay(folder: Path, store: Path) -> Path:
    """Return settings of a keeper whose retention gives nothing up."""
    settings = folder / "keeper.yaml"
    settings.write_text(f"store: {store}\ntrash_days: 0\nretention: {{at_least: 100}}\n")
    return settings


def test_older_captures_leave_when_they_are_safe_and_are_kept_there(copied: CopiedStore) -> None:
    report = copied.upload(rule=ALL)

    assert [name.split("/")[1][:6] for name in report.left] == ["000001", "000002"]
    assert here(copied) == ["000003", "000004"]
    collect(copied)
    all_are_there(copied, 1, 2, 3, 4)
    holdstill("verify", "--store", copied.root)
    # Nights later nothing of it is let go, also where the notes were lost.
    for night in (5, 6):
        copied.capture("pier-3", files(night))
        (copied.root / sent.NAME).unlink()
        assert copied.upload(rule=ALL).troubles == ()
    assert here(copied) == ["000005", "000006"]
    all_are_there(copied, *range(1, 7))


def test_what_has_left_is_read_from_there_when_asked_for(
    copied: CopiedStore, tmp_path: Path
) -> None:
    copied.upload(rule=ALL)
    collect(copied)
    words = ("get", "pier-3/1", "2:/night", "--to", tmp_path / "got", "--store", copied.root)

    without = attempt(*words)
    holdstill(*words, "--recovery-key", copied.words)

    assert without.returncode == 2
    assert b"is off-site alone" in without.stderr
    assert (tmp_path / "got").read_bytes() == files(1)[b"night"]
    assert b"2 earlier captures are off-site alone" in holdstill("list", "--store", copied.root)
    found = attempt("find", "2:/night", "pier-3", "--store", copied.root)
    assert found.returncode == 0
    assert b"not looked into: 2 captures off-site alone, from 000001" in found.stderr


def test_retention_gives_up_what_has_left_as_if_it_were_here(copied: CopiedStore) -> None:
    copied.upload(rule=ALL)
    copied.capture("pier-3", files(5))

    copied.upload(rule=Retention(days=0, weeks=0, months=0, years=0, at_least=4))

    with sent.opened(copied.root / sent.NAME) as noted:
        assert [one.brief.seq for one in noted.away()] == [2, 3]
    all_are_there(copied, 2, 3, 4, 5)


def test_nothing_leaves_that_is_not_safe(copied: CopiedStore, server: Seaweed) -> None:
    """Unsafe: not there, found damaged, not looked at to the end, or pinned here."""
    keep_here(copied, 0)
    copied.upload(rule=ALL)
    assert len(here(copied)) == 4
    keep_here(copied, 2)
    run_notes.change(copied.root, copied.clock.now(), findings=("pack ab is missing",))
    assert copied.upload(rule=ALL).left == []
    run_notes.change(copied.root, copied.clock.now(), findings=())
    with faulty_proxy.running(server.port) as proxy:
        for at in range(1, 5):
            proxy.planned(Fault.INTERNAL, at, many=1000)
            with suppress(LinkError):
                report = copied.upload(rule=ALL, by_way_of=proxy.endpoint)
                assert report.left == []
                assert len(report.troubles) == 1
            assert len(here(copied)) == 4
    holdstill("pin", "pier-3/1", "--store", copied.root)

    copied.upload(rule=ALL)

    assert here(copied) == ["000001", "000003", "000004"]


def test_a_new_keeper_keeps_what_had_left_there(copied: CopiedStore, tmp_path: Path) -> None:
    copied.upload(rule=ALL)
    copied.capture("pier-3", files(5))
    copied.upload(rule=ALL)
    again = tmp_path / "again"
    said = json.loads(
        holdstill(
            "offsite", "restore", copied.address, again, "--json",
            "--recovery-key", copied.words, "--access-key", copied.access_key,
        )
    )  # fmt: skip
    # What had left when the ledger was last sent stays there.
    names = [name.split("/")[1][:6] for name in said["captures"]]
    assert names == ["000005", "000004", "000003"]

    holdstill("offsite", "upload", "--settings", all_stay(tmp_path, again))

    all_are_there(copied, 1, 2, 3, 4, 5)
    with sent.opened(again / sent.NAME) as noted:
        assert [one.brief.seq for one in noted.away()] == [1, 2, 3]


def test_without_locks_there_is_no_keep_here(copied: CopiedStore) -> None:
    settings = offsite_settings.read(copied.root)
    offsite_settings.write(copied.root, msgspec.structs.replace(settings, lock_days=0))

    with pytest.raises(DocumentError, match="keep_here: needs lock_days"):
        offsite_settings.read(copied.root)
