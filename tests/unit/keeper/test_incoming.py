"""The two locks of a board's incoming folder, and what may stay in it."""

from __future__ import annotations

import fcntl
import hashlib
import os
import stat
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import BusyError, MachineError
from holdstill.keeper import incoming
from holdstill.model.names import Digest
from support import keeping
from support.keeping import PIER_3, FakeClock

if TYPE_CHECKING:
    from holdstill.keeper.store import Store

RUN = "0123456789abcdef"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return keeping.make_store(tmp_path / "boathouse", clock=FakeClock())


def open_descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def test_a_board_is_running_exactly_while_its_lock_is_held(store: Store) -> None:
    before = incoming.is_running(store, PIER_3)
    lock = incoming.take_lock(store, PIER_3)
    during = incoming.is_running(store, PIER_3)
    lock.release()

    assert (before, during, incoming.is_running(store, PIER_3)) == (False, True, False)


def test_the_lock_is_the_keepers_own(store: Store) -> None:
    lock = store.board_folder(PIER_3) / "lock"
    lock.unlink(missing_ok=True)  # the mode counts when it is made
    incoming.take_lock(store, PIER_3).release()

    mode = lock.stat().st_mode
    assert stat.S_IMODE(mode) == 0o600


def test_the_lock_of_a_folder_is_the_keepers_own(store: Store) -> None:
    lock = store.board_folder(PIER_3) / incoming.RECEIVING[0]
    lock.unlink(missing_ok=True)  # as above
    with incoming.no_receiver(store, PIER_3, 0, clock=FakeClock()):
        mode = lock.stat().st_mode

    assert stat.S_IMODE(mode) == 0o600


def test_a_transfer_that_does_not_end_is_waited_for_so_long_and_no_longer(store: Store) -> None:
    clock = FakeClock()
    with incoming.no_receiver(store, PIER_3, 0, clock=clock):
        pass  # makes the lock's file
    began = clock.monotonic()
    receiver = incoming.receiver_lock(store, PIER_3, 0)
    try:
        with (
            pytest.raises(BusyError, match="does not end"),
            incoming.no_receiver(store, PIER_3, 0, clock=clock),
        ):
            pass
    finally:
        os.close(receiver)

    waited = clock.monotonic() - began
    assert incoming.RECEIVER_PATIENCE <= waited < incoming.RECEIVER_PATIENCE + 1


def test_nobody_receives_while_the_keeper_takes_over_what_was_sent(store: Store) -> None:
    with (
        incoming.no_receiver(store, PIER_3, 0, clock=FakeClock()),
        pytest.raises(BusyError, match="taking over"),
    ):
        incoming.receiver_lock(store, PIER_3, 0)


def test_s20_being_refused_the_lock_a_hundred_times_costs_no_descriptors(store: Store) -> None:
    lock = incoming.take_lock(store, PIER_3)
    before = open_descriptors()

    for _ in range(100):
        with pytest.raises(BusyError):
            incoming.take_lock(store, PIER_3, tries=1)

    assert open_descriptors() == before
    lock.release()


def test_a_staging_that_is_a_symlink_is_removed_and_its_target_is_not(
    store: Store, tmp_path: Path
) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere/kept").touch()
    link = store.board_folder(PIER_3) / "incoming" / RUN
    link.symlink_to(tmp_path / "elsewhere")

    incoming.tidy(store, PIER_3, finished_runs=frozenset())

    assert not link.is_symlink()
    assert (tmp_path / "elsewhere/kept").exists()


def test_of_unfinished_stagings_the_newest_stays(store: Store) -> None:
    folder = store.board_folder(PIER_3) / "incoming"
    older, newest = folder / RUN, folder / RUN[::-1]
    for age, staging in ((60, older), (0, newest)):
        (staging / "contents").mkdir(parents=True)
        (staging / "contents/part").write_bytes(b"1.42")
        os.utime(staging, times=(1_800_000_000 - age,) * 2)

    found = incoming.current(store, PIER_3)
    incoming.tidy(store, PIER_3, finished_runs=frozenset())

    assert found is not None
    assert found.folder == newest
    assert list(folder.iterdir()) == [newest]
    assert (newest / "contents/part").read_bytes() == b"1.42"


@pytest.mark.parametrize(("size", "is_worth_it"), [(16 << 10, True), ((16 << 10) - 1, False)])
def test_a_basis_of_sixteen_kib_is_worth_a_copy(
    store: Store, tmp_path: Path, *, size: int, is_worth_it: bool
) -> None:
    content = b"x" * size
    basis = Digest(hashlib.sha256(content).hexdigest())
    path = store.contents.path(basis)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)

    found = incoming.basis_size(store, tmp_path, digest=Digest("0" * 64), basis=basis)

    assert found == (path.stat().st_blocks * 512 if is_worth_it else 0)


def test_a_file_with_a_second_name_is_reported_and_no_other(tmp_path: Path) -> None:
    for name in ("single", "first"):
        (tmp_path / name).write_bytes(b"1.42")
    (tmp_path / "second").hardlink_to(tmp_path / "first")
    (tmp_path / "link").symlink_to("first")
    (tmp_path / "folder").mkdir()

    assert sorted(path.name for path in incoming.shared_inodes(tmp_path)) == ["first", "second"]


def test_without_a_staging_to_keep_everything_in_incoming_goes(store: Store) -> None:
    staging = incoming.begin_staging(store, PIER_3)
    strange = store.board_folder(PIER_3) / "incoming" / "Not A Run"
    strange.mkdir()

    incoming.tidy(store, PIER_3, finished_runs=frozenset({staging.run}))

    assert list((store.board_folder(PIER_3) / "incoming").iterdir()) == []


def test_what_a_link_in_the_place_of_incoming_leads_to_is_left_alone(
    store: Store, tmp_path: Path
) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere/the only copy").write_bytes(b"1.42")
    folder = store.board_folder(PIER_3) / "incoming"
    folder.rmdir()
    folder.symlink_to(tmp_path / "elsewhere")

    with pytest.raises(MachineError):
        incoming.tidy(store, PIER_3, finished_runs=frozenset())

    assert (tmp_path / "elsewhere/the only copy").exists()


def test_h3_two_names_of_one_file_are_counted_once_and_are_no_contents(store: Store) -> None:
    """As du(1) counts: an inode once, however many names it has."""
    folder = incoming.begin_staging(store, PIER_3).folders[0].path
    for name in ("a" * 64, "b" * 64):
        (folder / name).write_bytes(b"1.42" * 4096)
    before = incoming.arrived(folder)
    (folder / ("c" * 64)).hardlink_to(folder / ("a" * 64))

    after = incoming.arrived(folder)
    dropped = incoming.drop_strays(store, folder)

    assert before.strays == ()
    assert (after.bytes, after.inodes) == (before.bytes, before.inodes)
    assert "b" * 64 not in dropped
    assert [path.name for path in folder.iterdir() if path.stat().st_nlink > 1] == []
    assert (folder / ("b" * 64)).exists()


def test_who_looks_whether_a_run_is_alive_does_not_see_others_who_look(store: Store) -> None:
    with (store.board_folder(PIER_3) / "lock").open("w") as other:
        fcntl.flock(other, fcntl.LOCK_SH)  # a look that takes long

        assert not incoming.is_running(store, PIER_3)


def test_a_run_begins_beside_a_look(store: Store) -> None:
    with (store.board_folder(PIER_3) / "lock").open("w") as other:
        fcntl.flock(other, fcntl.LOCK_SH)
        ended = threading.Timer(incoming.LOOK, fcntl.flock, (other, fcntl.LOCK_UN))
        ended.start()

        incoming.take_lock(store, PIER_3).release()
        ended.join()
