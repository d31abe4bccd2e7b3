"""The two locks of a board's incoming folder, and what may stay in it."""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import stat
import threading
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import BusyError, MachineError
from holdstill.keeper import incoming
from holdstill.model.names import Digest, RunId
from support import descriptors, keeping
from support.keeping import PIER_3, FakeClock

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.store import Store

RUN = "0123456789abcdef"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return keeping.make_store(tmp_path / "boathouse", clock=FakeClock())


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
    before = descriptors.count()

    for _ in range(100):
        with pytest.raises(BusyError):
            incoming.take_lock(store, PIER_3, tries=1)

    assert descriptors.count() == before
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


def test_a_lock_that_the_kernel_refuses_for_another_reason_is_not_called_busy(
    store: Store,
) -> None:
    """flock(2): EINVAL for an operation that there is none of."""
    before = descriptors.count()

    with pytest.raises(OSError, match="Invalid argument"):
        incoming._locked(store, PIER_3, 64)

    assert descriptors.count() == before


def test_a_wait_that_the_kernel_refuses_for_another_reason_is_no_wait(tmp_path: Path) -> None:
    """flock(2): EBADF for what is not open."""
    clock = FakeClock()
    handle = os.open(tmp_path, os.O_RDONLY)
    os.close(handle)
    began = clock.monotonic()

    with pytest.raises(OSError, match="Bad file descriptor"):
        incoming._wait_alone(handle, PIER_3, clock, incoming.RECEIVER_PATIENCE)

    assert clock.monotonic() == began


def test_looks_and_waits_cost_no_descriptors(store: Store) -> None:
    with incoming.no_receiver(store, PIER_3, 0, clock=FakeClock()):
        pass  # makes the lock's file
    before = descriptors.count()

    for _ in range(3):
        incoming.is_running(store, PIER_3)
        with (
            incoming.no_receiver(store, PIER_3, 0, clock=FakeClock()),
            pytest.raises(BusyError),
        ):
            incoming.receiver_lock(store, PIER_3, 0)

    assert descriptors.count() == before


def test_a_lock_is_given_back_once_however_often_that_is_asked(
    store: Store, tmp_path: Path
) -> None:
    with (lock := incoming.take_lock(store, PIER_3)).held():
        assert incoming.is_running(store, PIER_3)
    with (tmp_path / "another file").open("w") as other:  # it gets the number that is free
        lock.release()

        other.write("still open")
        other.flush()
    assert not incoming.is_running(store, PIER_3)


def take(store: Store, how: str) -> None:
    if how == "run":
        incoming.take_lock(store, PIER_3, tries=1)
    elif how == "receive":
        incoming.receiver_lock(store, PIER_3, 0)
    else:
        with incoming.no_receiver(store, PIER_3, 0, clock=FakeClock()):
            pass


@pytest.mark.parametrize("how", ["run", "receive", "take over"])
def test_no_lock_is_followed_to_another_file(store: Store, tmp_path: Path, how: str) -> None:
    """open(2): ELOOP where the last part of a path is a symbolic link that is not followed."""
    (tmp_path / "elsewhere").touch()
    for name in ("lock", incoming.RECEIVING[0]):
        lock = store.board_folder(PIER_3) / name
        lock.unlink(missing_ok=True)
        lock.symlink_to(tmp_path / "elsewhere")

    with pytest.raises(OSError, match="symbolic links") as refused:
        take(store, how)

    assert refused.value.errno == errno.ELOOP


def test_several_transfers_write_to_a_folder_and_what_they_become_keeps_the_lock(
    store: Store,
) -> None:
    with incoming.no_receiver(store, PIER_3, 1, clock=FakeClock()):
        pass  # makes the lock's file

    handles = [incoming.receiver_lock(store, PIER_3, 1) for _ in range(2)]

    assert [os.get_inheritable(handle) for handle in handles] == [True, True]
    os.close(handles.pop())
    with (
        pytest.raises(BusyError, match="does not end"),
        incoming.no_receiver(store, PIER_3, 1, clock=FakeClock()),
    ):
        pytest.fail("one of them was still there")
    os.close(handles.pop())
    with incoming.no_receiver(store, PIER_3, 1, clock=FakeClock()):
        pass


def test_a_basis_that_nobody_wrote_to_is_known_for_an_hour(store: Store) -> None:
    folder = store.root / "folder"
    folder.mkdir()
    basis, laid, written = (Digest(letter * 64) for letter in "abc")
    store.contents.path(basis).write_bytes(b"x" * 20_000)
    for digest in (laid, written):
        incoming.lay_basis(store, folder, digest=digest, basis=basis)
    (folder / written).write_bytes(b"y")
    now = (folder / laid).stat().st_ctime

    assert incoming.newest(folder, [laid, written]) == written
    assert incoming.unused_bases(folder, [laid, written], now + 60) == {laid}
    assert incoming.unused_bases(folder, [laid, written], now + 3700) == frozenset()


def test_who_looks_is_waited_for_three_seconds() -> None:
    assert pytest.approx(3) == incoming.LOCK_TRIES * incoming.LOOK


def test_of_stagings_of_one_moment_it_is_always_the_same_that_counts(store: Store) -> None:
    folder = store.board_folder(PIER_3) / "incoming"
    for run in ("1" * 16, "3" * 16, "2" * 16):
        (folder / run).mkdir()
        os.utime(folder / run, times=(1_800_000_000,) * 2)

    found = incoming.current(store, PIER_3)

    assert found == incoming.Staging(RunId("3" * 16), folder / ("3" * 16))


def test_a_run_goes_on_in_what_a_cut_off_one_left_and_completes_it(store: Store) -> None:
    first = incoming.begin_staging(store, PIER_3)
    kept, lost, strange = (path for _, path in first.folders[:3])
    (kept / ("a" * 64)).write_bytes(b"1.42")
    lost.rmdir()
    strange.rmdir()
    strange.write_bytes(b"no folder")
    os.utime(first.folder / incoming.BEGUN, times=(1_800_000_000,) * 2)

    again = incoming.begin_staging(store, PIER_3)

    assert again == first
    assert len(bytes.fromhex(first.run)) == 8
    assert [number for number, _ in again.folders] == list(range(len(incoming.RECEIVING)))
    assert all(path.is_dir() for _, path in again.folders)
    assert (kept / ("a" * 64)).read_bytes() == b"1.42"
    assert (again.folder / incoming.BEGUN).stat().st_mtime == 1_800_000_000  # when it began
    (again.folder / incoming.BEGUN).unlink()
    assert incoming.begin_staging(store, PIER_3) == first
    assert (again.folder / incoming.BEGUN).read_bytes() == b""


def put(store: Store, content: bytes) -> Digest:
    digest = Digest(hashlib.sha256(content).hexdigest())
    path = store.contents.path(digest)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return digest


def test_a_basis_is_laid_where_nothing_is_and_is_a_copy(store: Store, tmp_path: Path) -> None:
    basis, digest = put(store, b"x" * (16 << 10)), Digest("0" * 64)
    sizes = {
        "absent": incoming.basis_size(store, tmp_path, digest=digest, basis=Digest("f" * 64)),
        "there": incoming.basis_size(store, tmp_path, digest=digest, basis=basis),
    }

    incoming.lay_basis(store, tmp_path, digest=digest, basis=basis)

    assert sizes == {"absent": 0, "there": store.contents.path(basis).stat().st_blocks * 512}
    assert (tmp_path / digest).read_bytes() == b"x" * (16 << 10)
    assert not (tmp_path / digest).samefile(store.contents.path(basis))
    assert incoming.basis_size(store, tmp_path, digest=digest, basis=basis) == 0
    (tmp_path / digest).unlink()
    (tmp_path / digest).symlink_to("nowhere")  # lexists(3): a name, wherever it leads
    assert incoming.basis_size(store, tmp_path, digest=digest, basis=basis) == 0


def test_all_that_arrived_is_counted_and_all_but_contents_are_strays(tmp_path: Path) -> None:
    """stat(2): st_blocks is in units of 512 bytes."""
    content, nested = tmp_path / ("a" * 64), tmp_path / "folder"
    content.write_bytes(b"1.42" * 5000)
    nested.mkdir()
    (nested / ("b" * 64)).write_bytes(b"1.42" * 5000)
    (tmp_path / ("c" * 64)).symlink_to("nowhere")
    (tmp_path / "odd name").touch()
    everything = [
        content,
        nested,
        nested / ("b" * 64),
        tmp_path / ("c" * 64),
        tmp_path / "odd name",
    ]

    found = incoming.arrived(tmp_path)

    assert found.inodes == len(everything)
    assert found.bytes == 512 * sum(path.lstat().st_blocks for path in [tmp_path, *everything])
    assert sorted(path.name for path in found.strays) == ["c" * 64, "folder", "odd name"]


def test_strays_go_and_are_named_and_a_folder_is_emptied_as_a_whole(store: Store) -> None:
    folder = incoming.begin_staging(store, PIER_3).folders[0].path
    for name in ("a" * 64, "odd name"):
        (folder / name).write_bytes(b"1.42")

    assert incoming.drop_strays(store, folder) == ("odd name",)
    assert [path.name for path in folder.iterdir()] == ["a" * 64]
    incoming.empty(store, folder)
    assert list(folder.iterdir()) == []


def test_sizes_are_of_regular_files_alone(tmp_path: Path) -> None:
    file, link, folder, absent = (Digest(letter * 64) for letter in "abcd")
    (tmp_path / file).write_bytes(b"1.42")
    (tmp_path / link).symlink_to(file)
    (tmp_path / folder).mkdir()

    assert incoming.sizes(tmp_path, [file, link, folder, absent]) == {file: 4}
