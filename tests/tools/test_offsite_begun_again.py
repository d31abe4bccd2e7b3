"""A copy that is begun again does not forget the captures that are in the earlier one alone."""

from pathlib import Path

import msgspec
import pytest

from holdstill.model.settings import Retention
from holdstill.offsite import earlier, offsite_settings, run_notes, sent
from support.command_line import attempt, holdstill
from support.offsite import CopiedStore
from support.seaweed import Seaweed

ALL = Retention(days=100, at_least=100)


@pytest.fixture
def left(server: Seaweed, tmp_path: Path) -> CopiedStore:
    """Return a store of whose three captures two have left."""
    made = CopiedStore(tmp_path, server.address())
    made.held.enrol("pier-3")
    for night in range(1, 4):
        made.capture("pier-3", {b"night": b"%d" % night * 3000})
    settings = offsite_settings.read(made.root)
    proved = settings.keys.proof(settings.keeper)
    changed = msgspec.structs.replace(settings, keep_here=1, proved=proved)
    offsite_settings.write(made.root, changed)
    assert len(made.upload(rule=ALL).left) == 2
    return made


def words(held: CopiedStore, address: object, *more: str) -> tuple[object, ...]:
    public = holdstill("offsite", "key").decode().splitlines()[-1]
    return (
        "offsite", "setup", address, "--store", held.root, "--access-key", held.access_key,
        "--public", public, "--again", *more,
    )  # fmt: skip


@pytest.mark.parametrize("name", [sent.NAME, run_notes.NAME])
def test_it_is_refused_while_captures_are_there_alone(
    left: CopiedStore, server: Seaweed, name: str
) -> None:
    """Each of the two notes is enough to know of them."""
    (left.root / name).unlink()
    before = offsite_settings.read(left.root)

    done = attempt(*words(left, server.address()))

    assert done.returncode == 2
    assert b"2 captures that left it, as pier-3/000001" in done.stderr
    assert b"--leave-away" in done.stderr
    assert offsite_settings.read(left.root) == before


@pytest.mark.parametrize("are_notes_there", [True, False])
def test_what_is_left_behind_stays_locked_and_can_be_read(
    left: CopiedStore, server: Seaweed, tmp_path: Path, *, are_notes_there: bool
) -> None:
    of_old = {one.id for one in left.versions("")}
    if not are_notes_there:
        (left.root / sent.NAME).unlink()

    holdstill(*words(left, server.address(), "--leave-away"))

    assert offsite_settings.read(left.root).keeper != "0123456789abcdef"
    assert b"2 earlier captures are off-site alone" in holdstill("list", "--store", left.root)
    (folder,) = earlier.every(left.root)
    left.upload(rule=ALL)
    # Their locks are lengthened when it is time, whatever becomes of the new copy.
    left.make_locks_due(folder / sent.NAME)
    settings = offsite_settings.read(folder)
    offsite_settings.write(folder, msgspec.structs.replace(settings, lock_days=5))

    report = left.upload(rule=ALL)

    assert report.extended == len(of_old)
    assert report.troubles == ()
    for one in left.versions(""):
        end = left.bucket.locked(one.key, one.id).until
        assert end is not None
        assert (end - left.bucket.now()).total_seconds() > 4.9 * 86400
    assert left.upload(rule=ALL).extended == 0
    assert b"2 earlier captures are off-site alone" in holdstill("list", "--store", left.root)
    got = tmp_path / "got"
    holdstill(
        "get", "pier-3/1", "2:/night", "--to", got, "--store", left.root,
        "--recovery-key", left.words,
    )  # fmt: skip
    assert got.read_bytes() == b"1" * 3000


def test_a_copy_left_behind_that_is_gone_is_told_and_stops_nothing(
    left: CopiedStore, server: Seaweed
) -> None:
    holdstill(*words(left, server.address(), "--leave-away"))
    (folder,) = earlier.every(left.root)
    settings = offsite_settings.read(folder)
    away = msgspec.structs.replace(settings, address=f"s3+{server.endpoint}/not-there")
    offsite_settings.write(folder, away)
    left.capture("pier-3", {b"night": b"new"})

    report = left.upload(rule=ALL)

    assert len(report.sent.captures) == 2
    assert [str(folder) in one.board for one in report.troubles] == [True]


def test_a_copy_that_nothing_has_left_for_begins_again_as_it_did(
    server: Seaweed, tmp_path: Path
) -> None:
    made = CopiedStore(tmp_path, server.address())
    made.held.enrol("pier-3")
    made.capture("pier-3", {b"a": b"a"})
    made.upload()

    holdstill(*words(made, server.address()))

    assert earlier.every(made.root) == ()
    assert len(made.upload().sent.captures) == 1
