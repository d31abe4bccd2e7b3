"""Events as the kernel writes them: struct fanotify_event_metadata and records, fanotify(7)."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest

from holdstill.board import ctime_window, fanotify
from holdstill.board.change_detection import ChangedInodes, EverythingMayHaveChanged
from holdstill.board.fanotify import EventDetector, FanotifyEvents
from holdstill.model.entries import Seen
from holdstill.system import clocks as clock

if TYPE_CHECKING:
    from pathlib import Path

FID, DFID = 1, 3
MODIFY, OPEN, CREATE, OVERFLOW, ONDIR = 0x2, 0x20, 0x100, 0x4000, 0x40000000
INO32, XFS, BTRFS = 0x01, 0x81, 0x4D


def record(kind: int, handle_type: int, inode: int) -> bytes:
    """Write struct fanotify_event_info_fid with a file handle as the file system makes it."""
    handle = struct.pack("=II", inode, 7) if handle_type == INO32 else struct.pack("=QI", inode, 7)
    body = struct.pack("=QIi", 0x1122334455667788, len(handle), handle_type) + handle
    body += bytes(-len(body) % 4)
    return struct.pack("=BBH", kind, 0, 4 + len(body)) + body


def event(mask: int, *records: bytes, process: int = 1) -> bytes:
    body = b"".join(records)
    return struct.pack("=IBBHQii", 24 + len(body), 3, 0, 24, mask, -1, process) + body


def heard(*written: bytes, own: int = 0) -> FanotifyEvents:
    found = FanotifyEvents()
    fanotify.parse_events(b"".join(written), found, own=own)
    return found


@pytest.mark.parametrize("kind", [INO32, XFS, BTRFS])
def test_a_change_of_a_file_says_nothing_of_its_directory(kind: int) -> None:
    found = heard(event(MODIFY, record(DFID, kind, 11), record(FID, kind, 300)))

    assert found == FanotifyEvents({300})


def test_a_new_name_changes_its_directory() -> None:
    found = heard(
        event(CREATE, record(DFID, XFS, 11)), event(MODIFY | ONDIR, record(DFID, XFS, 2**40))
    )

    assert found == FanotifyEvents({11, 2**40})


def test_an_opening_is_no_change_yet_and_our_own_is_nothing() -> None:
    some = [event(OPEN, record(FID, XFS, n), process=n) for n in (1, 2)]

    assert heard(*some, own=2) == FanotifyEvents(opened={1})


def test_a_change_by_ourselves_counts() -> None:
    assert heard(event(MODIFY | OPEN, record(FID, XFS, 5), process=2), own=2) == FanotifyEvents(
        {5}
    )


@pytest.mark.parametrize(
    "lost",
    [event(OVERFLOW), event(MODIFY, record(FID, 0x99, 3)), event(MODIFY)],
    ids=["overflow", "unknown handle", "no record"],
)
def test_what_is_lost_or_not_understood_is_said(lost: bytes) -> None:
    found = heard(event(MODIFY, record(FID, XFS, 5)), lost)

    assert found == FanotifyEvents({5}, is_all=False)


class Told:
    """A queue that tells what the test says."""

    def __init__(self, *heard: FanotifyEvents) -> None:
        self._heard = list(heard)
        self.is_at_rest = False

    def wait_quiet(self) -> None:
        self.is_at_rest = True

    def read_events(self) -> FanotifyEvents:
        return self._heard.pop(0)


def watch(queue: Told, *mapped: int) -> EventDetector:
    clocks = ctime_window.InodeClock(clock.SystemClock(), clock.coarse_now_ns)
    return EventDetector(0, clocks, queue, mapped=lambda: set(mapped))


def test_the_first_look_is_at_everything_and_the_next_at_what_was_heard() -> None:
    found = watch(Told(FanotifyEvents({4}), FanotifyEvents({5}, {6}), FanotifyEvents({9})), 8)
    found.prepare_freeze()

    first = found.frozen_changes()
    found.confirm()
    second = found.frozen_changes()
    third = found.frozen_changes()

    assert isinstance(first, EverythingMayHaveChanged)
    assert isinstance(second, ChangedInodes)
    assert second.numbers == {5, 6, 8}
    assert second.by_ctime == {6, 8}
    assert isinstance(third, ChangedInodes)
    assert third.numbers == {5, 6, 8, 9}  # what was not confirmed is told again


def test_what_may_be_mapped_is_trusted_by_its_ctime_unless_that_is_recent() -> None:
    found = watch(Told(FanotifyEvents(), FanotifyEvents({5})), 8)
    found.prepare_freeze()
    found.frozen_changes()
    found.confirm()

    changes = found.frozen_changes()

    old, now = 1, clock.coarse_now_ns()
    assert [changes.trusts(Seen(8, ctime, 0)) for ctime in (old, now)] == [True, False]
    assert not changes.trusts(Seen(5, old, 0))
    assert changes.trusts(Seen(7, now, 0))


def test_after_a_loss_everything_is_looked_at_once() -> None:
    found = watch(Told(FanotifyEvents(), FanotifyEvents(is_all=False), FanotifyEvents()))
    looks = []
    for _ in range(3):
        looks.append(type(found.frozen_changes()))
        found.confirm()

    assert looks == [EverythingMayHaveChanged, EverythingMayHaveChanged, ChangedInodes]


def test_what_is_doubted_is_looked_at() -> None:
    found = watch(Told(FanotifyEvents(), FanotifyEvents()))
    found.frozen_changes()
    found.confirm()
    found.doubt([12])

    changes = found.frozen_changes()

    assert isinstance(changes, ChangedInodes)
    assert changes.numbers == {12}


def test_before_the_freeze_the_thread_ends() -> None:
    queue = Told()

    watch(queue).prepare_freeze()

    assert queue.is_at_rest


def test_shared_mappings_and_files_open_for_both_may_be_mapped(tmp_path: Path) -> None:
    process = tmp_path / "71"
    (process / "fdinfo").mkdir(parents=True)
    (tmp_path / "self").mkdir()
    for number, (flags, inode) in enumerate([("0100002", 21), ("0100000", 22), ("0100001", 23)]):
        text = f"pos:\t0\nflags:\t{flags}\nmnt_id:\t9\nino:\t{inode}\n"
        (process / "fdinfo" / str(number)).write_text(text, encoding="ascii")
    (process / "maps").write_text(
        "7f10-7f20 rw-s 00000000 fe:00 31                     /srv/level db\n"
        "7f20-7f30 rw-p 00000000 fe:00 32                     /usr/lib/libc.so\n"
        "7f30-7f40 r--s 00000000 fe:00 33\n"
        "7f40-7f50 rw-s 00000000 00:01 0\n",
        encoding="ascii",
    )

    assert fanotify.may_be_mapped(tmp_path) == {21, 31, 33}
