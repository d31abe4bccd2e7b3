"""rsync as we use it, into a directory of this machine: every trap that was once stepped into.

Where the trap is rsync's own default, the test shows it first: then our options make the
difference, and the test fails if they go.
"""

from __future__ import annotations

import hashlib
import os
import random
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from holdstill.errors import LinkError, SecurityError
from holdstill.system.clocks import SystemClock
from holdstill.system.process import Command
from holdstill.transport import late_files
from holdstill.transport.rsync import RsyncEndpoint, RsyncTransfer, TransferMode
from support import keeping, programs
from support.keeping import FakeClock

SECOND = 1_700_000_000 * 10**9
MIB = 1 << 20


@pytest.fixture
def bulk() -> RsyncTransfer:
    return RsyncTransfer(RsyncEndpoint(), memory=Path("/dev/shm"), clock=SystemClock())  # noqa: S108


@pytest.fixture
def here(tmp_path: Path) -> Path:
    (tmp_path / "here").mkdir()
    return tmp_path / "here"


@pytest.fixture
def there(tmp_path: Path) -> Path:
    (tmp_path / "there").mkdir()
    return tmp_path / "there"


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def noise(size: int, *, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(size)  # noqa: S311


def file_in(folder: Path, name: str, content: bytes) -> Path:
    path = folder / name
    path.write_bytes(content)
    return path


def test_a_change_within_one_second_is_seen(bulk: RsyncTransfer, here: Path, there: Path) -> None:
    new, old = file_in(here, "new", b"NEW"), file_in(there, "name", b"old")
    os.utime(new, ns=(SECOND + 900, SECOND + 900))
    os.utime(old, ns=(SECOND + 100, SECOND + 100))
    witness = file_in(here, "name", b"NEW")
    os.utime(witness, ns=(SECOND + 900, SECOND + 900))
    programs.run("rsync", "-t", witness, f"{there}/")
    assert old.read_bytes() == b"old"  # the trap: same size, same second, "nothing to do"

    bulk.send({"name": new}, str(there))

    assert old.read_bytes() == b"NEW"


@pytest.mark.parametrize("name", ["#hash", ";semicolon", "-hyphen", " blank", "new\nline"])
def test_a_name_with_a_meaning_in_lists_arrives(
    bulk: RsyncTransfer, here: Path, there: Path, name: str
) -> None:
    bulk.send({name: file_in(here, "f", b"x")}, str(there))

    assert names_in(there) == [name]


def test_the_list_of_names_that_we_do_not_use_would_skip_some(here: Path, there: Path) -> None:
    file_in(here, "#hash", b"x")

    programs.run("rsync", "-a", "--files-from=-", f"{here}/", f"{there}/", stdin=b"#hash\n")

    assert names_in(there) == []  # the trap: skipped, and exit code 0


def test_all_files_of_a_batch_arrive_without_recursion(
    bulk: RsyncTransfer, here: Path, there: Path
) -> None:
    files = {f"{n:04}": file_in(here, f"{n}", b"%d" % n) for n in range(1500)}

    bulk.send(files, str(there))

    assert {p.name: p.read_bytes() for p in there.iterdir()} == {
        name: path.read_bytes() for name, path in files.items()
    }


def test_a_file_that_became_a_directory_is_not_descended_into(
    bulk: RsyncTransfer, here: Path, there: Path
) -> None:
    (here / "swapped").mkdir()
    file_in(here / "swapped", "secret", b"of somebody else")

    bulk.send({"name": here / "swapped", "f": file_in(here, "f", b"x")}, str(there))

    assert [p.name for p in there.rglob("*") if p.is_file()] == ["f"]


def test_a_special_file_is_skipped_with_success_(
    bulk: RsyncTransfer, here: Path, there: Path
) -> None:
    os.mkfifo(here / "fifo")

    bulk.send({"p": here / "fifo", "f": file_in(here, "f", b"x")}, str(there))

    assert names_in(there) == ["f"]


def test_setuid_and_other_bits_do_not_arrive(bulk: RsyncTransfer, here: Path, there: Path) -> None:
    tool = file_in(here, "tool", b"#!/bin/sh\n")
    tool.chmod(0o6755)
    unreadable = file_in(here, "shut", b"x")
    unreadable.chmod(0o000)
    programs.run("rsync", "-p", "--chmod=Fu=rw", tool, f"{there}/trap")
    assert (there / "trap").stat().st_mode & 0o4000  # the trap: Fu=rw keeps setuid

    bulk.send({"tool": tool, "shut": unreadable}, str(there))

    assert [(there / name).stat().st_mode & 0o7777 for name in ("tool", "shut")] == [0o600] * 2


def test_c3_file_vanishes_and_does_not_stop_the_others(
    bulk: RsyncTransfer, here: Path, there: Path
) -> None:
    bulk.send({"gone": here / "gone", "f": file_in(here, "f", b"x")}, str(there))

    assert names_in(there) == ["f"]


def test_a_file_that_vanishes_on_the_way_is_no_failure(
    bulk: RsyncTransfer, here: Path, there: Path
) -> None:
    long, short = file_in(here, "long", noise(64 * MIB)), file_in(here, "short", b"x")

    def vanish() -> None:
        while not (there / "1").exists():
            time.sleep(0.001)
        short.unlink()

    with ThreadPoolExecutor() as pool:
        vanished = pool.submit(vanish)
        bulk.send({"1": long, "2": short}, str(there))
        vanished.result()

    assert names_in(there) == ["1"]  # rsync's exit code is 24 here


def test_many_complaints_do_not_block_the_transfer(
    bulk: RsyncTransfer, here: Path, there: Path
) -> None:
    files = {f"gone {n}": here / f"gone {n}" for n in range(2000)}

    bulk.send(files | {"f": file_in(here, "f", b"x")}, str(there))

    assert names_in(there) == ["f"]


def test_a_symlink_on_the_board_is_never_a_symlink_at_the_keeper(
    bulk: RsyncTransfer, here: Path, there: Path
) -> None:
    (here / "link").symlink_to(file_in(here, "f", b"x"))

    bulk.send({"name": here / "link"}, str(there))

    assert not (there / "name").is_symlink()
    assert (there / "name").read_bytes() == b"x"


def test_a_broken_off_file_is_continued(bulk: RsyncTransfer, here: Path, there: Path) -> None:
    content = noise(4 * MIB)
    file_in(there, "name", content[: 3 * MIB])

    sent = bulk.send({"name": file_in(here, "f", content)}, str(there))

    assert (there / "name").read_bytes() == content
    assert sent.wire_bytes < 1.2 * MIB


def test_an_older_content_saves_its_bytes_on_the_way(
    bulk: RsyncTransfer, here: Path, there: Path
) -> None:
    old = noise(4 * MIB)
    new = old[:MIB] + b"in the middle" + old[MIB + 13 :] + b"appended"
    basis = file_in(there, "name", old)
    inode = basis.stat().st_ino

    sent = bulk.send({"name": file_in(here, "f", new)}, str(there))

    assert basis.read_bytes() == new
    assert basis.stat().st_ino == inode
    assert sent.wire_bytes < 0.2 * MIB


def test_holes_stay_holes_and_are_not_sent(bulk: RsyncTransfer, here: Path, there: Path) -> None:
    path = here / "sparse"
    with path.open("wb") as file:
        file.truncate(256 * MIB)
        file.seek(100 * MIB)
        file.write(noise(MIB))

    sent = bulk.send({"name": path}, str(there), shape=TransferMode.SPARSE)

    arrived = (there / "name").stat()
    assert arrived.st_size == 256 * MIB
    assert arrived.st_blocks * 512 < 2 * MIB
    assert sent.wire_bytes < 1.5 * MIB
    programs.run("cmp", path, there / "name")


def test_a_receiver_that_stores_nothing_is_found_out_by_the_keeper(
    bulk: RsyncTransfer, tmp_path: Path, here: Path, there: Path
) -> None:
    clock = FakeClock()
    keeper = keeping.keeper_of(keeping.make_store(tmp_path / "store", clock=clock), clock=clock)
    keeper.begin()
    digest = hashlib.sha256(b"x").hexdigest()

    sent = bulk.send({digest: file_in(here, "f", b"x")}, str(there))  # not where it should be
    banked = keeper.ingest([digest])

    assert sent.wire_bytes > 0  # a success, as far as rsync knows
    assert banked.bad == (digest,)


def test_what_is_missing_in_front_of_a_rotated_log_is_no_loss(
    bulk: RsyncTransfer, here: Path, there: Path
) -> None:
    old = noise(4 * MIB)
    file_in(there, "name", old)

    sent = bulk.send({"name": file_in(here, "f", old[MIB:])}, str(there))

    assert (there / "name").read_bytes() == old[MIB:]
    assert sent.wire_bytes < 0.2 * MIB


def test_a_failure_is_told_in_rsyncs_own_words(bulk: RsyncTransfer, here: Path) -> None:
    with pytest.raises(LinkError, match=r"status 3: .*Not a directory"):
        bulk.send({"name": file_in(here, "f", b"x")}, "/dev/null/nowhere")


def test_one_file_or_all_of_a_folder_are_fetched_under_their_names(
    bulk: RsyncTransfer, here: Path, there: Path
) -> None:
    contents = {"a": b"1.42", "b": bytes(MIB) + b"1.43"}
    for name, content in contents.items():
        file_in(there, name, content)

    one = bulk.fetch(f"{there}/a", here / "mine")
    every = bulk.fetch(f"{there}/", here)

    assert (here / "mine").read_bytes() == b"1.42"
    assert {name: (here / name).read_bytes() for name in names_in(here) if name != "mine"} == (
        contents
    )
    assert (here / "b").stat().st_blocks * 512 < MIB  # a hole stays one
    assert 0 < one.wire_bytes < every.wire_bytes


def test_what_cannot_be_fetched_is_told_in_rsyncs_own_words(
    bulk: RsyncTransfer, here: Path, there: Path
) -> None:
    """What is lacking at the other end is no success here: nobody else would report it."""
    with pytest.raises(LinkError, match=r"status 23: .*No such file"):
        bulk.fetch(f"{there}/nothing", here / "mine")

    assert names_in(here) == []


@pytest.mark.parametrize("name", ["../out", "a/b", "/", "", ".", ".."])
def test_a_name_that_leads_elsewhere_is_refused(
    bulk: RsyncTransfer, here: Path, there: Path, name: str
) -> None:
    with pytest.raises(SecurityError, match="cannot be sent"):
        bulk.send({name: file_in(here, "f", b"x")}, str(there))

    assert names_in(there) == []


def test_nothing_stays_in_memory(
    bulk: RsyncTransfer, here: Path, there: Path, tmp_path: Path
) -> None:
    (tmp_path / "memory").mkdir()
    careful = RsyncTransfer(RsyncEndpoint(), memory=tmp_path / "memory", clock=SystemClock())

    careful.send({"f": file_in(here, "f", b"x")}, str(there))

    assert names_in(tmp_path / "memory") == []


def failing(folder: Path, status: int, words: str = "it broke") -> Command:
    """Return a command that notes that it was run, says something and fails."""
    script = f"echo x >> {folder}/runs; echo '{words}' >&2; exit {status}"
    return Command.of("sh", "-c", script, timeout=10)


def runs_of(folder: Path) -> int:
    return len((folder / "runs").read_text(encoding="ascii").splitlines())


def transfer(*, clock: FakeClock, attempts: int = 3) -> RsyncTransfer:
    return RsyncTransfer(RsyncEndpoint(), memory=Path("/"), clock=clock, attempts=attempts)


# rsync(1), EXIT VALUES: 10 socket I/O, 12 protocol data stream, 30 timeout in data send/receive,
# 35 timeout waiting for daemon connection; ssh(1), EXIT STATUS: 255. 1 is syntax or usage, 11 file
# I/O, 13 program diagnostics: no later try helps.
@pytest.mark.parametrize(
    ("status", "tries", "slept"),
    [
        *((status, 3, 12.0) for status in (10, 12, 30, 35, 255)),
        *((status, 1, 0.0) for status in (1, 11, 13)),
    ],
)
def test_only_a_broken_link_is_tried_again(
    tmp_path: Path, status: int, tries: int, slept: float
) -> None:
    clock = FakeClock()
    began = clock.monotonic()

    with pytest.raises(LinkError, match=f"status {status}: it broke"):
        transfer(clock=clock)._persist(failing(tmp_path, status))

    assert (runs_of(tmp_path), clock.monotonic() - began) == (tries, slept)


def test_the_last_pause_is_that_of_all_further_tries(tmp_path: Path) -> None:
    clock = FakeClock()
    began = clock.monotonic()

    with pytest.raises(LinkError, match="status 12"):
        transfer(clock=clock, attempts=5)._persist(failing(tmp_path, 12))

    assert (runs_of(tmp_path), clock.monotonic() - began) == (5, 2 + 10 + 10 + 10)


def test_whoever_tries_not_at_all_has_sent_nothing(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="no attempt was made"):
        transfer(clock=FakeClock(), attempts=0)._persist(failing(tmp_path, 0))

    assert not (tmp_path / "runs").exists()


# OpenSSH sshconnect.c: what it says before it ends with 255.
@pytest.mark.parametrize("attempts", [1, 3])
@pytest.mark.parametrize(
    "words", ["Host key verification failed.", "REMOTE HOST IDENTIFICATION HAS CHANGED!"]
)
def test_another_host_key_is_no_broken_link(tmp_path: Path, attempts: int, words: str) -> None:
    clock = FakeClock()

    with pytest.raises(SecurityError, match="another host key"):
        transfer(clock=clock, attempts=attempts)._persist(failing(tmp_path, 255, words))

    assert runs_of(tmp_path) == 1


def late_named(path: Path) -> bool:
    """Stand for a C library with times of 32 bits, which this machine has not."""
    return path.stat().st_mtime >= 1 << 31


def test_what_rsync_cannot_look_at_is_copied_and_sent_bit_by_bit(
    bulk: RsyncTransfer, here: Path, there: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    contents = {name: noise(11 * MIB, seed=seed) for seed, name in enumerate("abc")}
    contents |= {"now": b"of today", "holes": noise(4096) + bytes(3 * MIB)}
    wanted = {name: file_in(here, f"f-{name}", content) for name, content in contents.items()}
    os.truncate(file_in(here, "f-holes", noise(4096)), 4096 + 3 * MIB)
    for name in (*"abc", "holes"):
        os.utime(wanted[name], (1 << 31, 1 << 31))
    groups = list(late_files.grouped(wanted, is_late=late_named, times_fit=False))
    monkeypatch.setattr(late_files, "grouped", lambda _: groups)

    bulk.send(wanted, str(there))

    assert [list(group.files) for group in groups] == [["now"], ["a", "b"], ["c", "holes"]]
    assert [group.is_late for group in groups] == [False, True, True]
    assert {path.name: path.read_bytes() for path in there.iterdir()} == contents


def test_a_late_file_that_is_gone_is_not_sent(
    bulk: RsyncTransfer, here: Path, there: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    wanted = {"gone": here / "gone", "there": file_in(here, "f", b"x")}
    groups = [late_files.Group(wanted, is_late=True)]
    monkeypatch.setattr(late_files, "grouped", lambda _: groups)

    bulk.send(wanted, str(there))

    assert names_in(there) == ["there"]


def test_where_all_times_fit_nothing_is_looked_at(here: Path) -> None:
    wanted = {"f": file_in(here, "f", b"x")}

    groups = list(late_files.grouped(wanted, is_late=lambda _: True, times_fit=True))

    assert groups == [late_files.Group(wanted, is_late=False)]
    assert list(late_files.grouped({}, times_fit=False)) == []
