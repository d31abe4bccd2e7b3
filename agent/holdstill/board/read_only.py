"""Make a file system that cannot be frozen read-only for the pause; FAT is the usual one.

It starts a program, so it has to come before anything is frozen.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import msgspec

from holdstill.board import mounts
from holdstill.errors import CommandError, DegradedError
from holdstill.model.paths import BoardPath
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from holdstill.board.mounts import Mount
    from holdstill.board.undo_log import PendingUndo, UndoLog
    from holdstill.system.process import Runner

KIND = "read-write"
"""Of our records in the undo log."""
SECONDS, ATTEMPTS = 20.0, 2
_PER_MOUNT = frozenset({
    "nosuid", "nodev", "noexec", "noatime", "nodiratime", "relatime", "strictatime", "lazytime",
    "sync", "dirsync", "mand", "nosymfollow",
})  # fmt: skip
"""Options that a remount drops unless they are given again; those of the file system stay."""


class _ReadOnlyRecord(msgspec.Struct, frozen=True):
    point: bytes
    device: tuple[int, int]
    source: str
    options: str


class RemountedFileSystem(msgspec.Struct):
    """How it went.

    Attributes:
        is_still: whether the file system is read-only for the length of the block.
        reason: why it is not.
        problems: what went wrong while it was made writable again.
    """

    is_still: bool = True
    reason: str = ""
    problems: list[str] = msgspec.field(default_factory=list)


@contextmanager
def made_read_only(
    mount: Mount,
    machine: Runner,
    undo_log: UndoLog,
    *,
    read_mounts: Callable[[], Sequence[Mount]] = mounts.read_mounts,
) -> Iterator[RemountedFileSystem]:
    """Keep a file system read-only for the length of the block, if it is not written to now."""
    result = RemountedFileSystem()
    if mount.is_bound_read_only:  # to remount it would leave it writable
        result.is_still = False
        result.reason = f"{mount.point} is read-only, but its file system is not"
    if mount.is_read_only or not result.is_still:
        yield result
        return
    options_to_keep = ",".join(
        option for option in mount.options.split(",") if option in _PER_MOUNT
    )
    facts = _ReadOnlyRecord(mount.point.raw, mount.device, mount.source, options_to_keep)
    record = undo_log.record(KIND, msgspec.json.encode(facts))
    try:
        try:
            _remount(facts, "ro", machine)
        except CommandError as error:
            # An open file keeps it busy. Not our business to find and stop whose.
            result.is_still, result.reason = False, f"{mount.point} is in use: {error}"
        yield result
    finally:
        try:
            _give_back(record, machine, undo_log, read_mounts)
        except DegradedError as error:
            result.problems.append(str(error))


def _remount(facts: _ReadOnlyRecord, mode: str, machine: Runner) -> None:
    options = ",".join(filter(None, ["remount", mode, facts.options]))
    point = facts.point.decode(errors="surrogateescape")
    # Named with its device, so that mount(8) does not mix in what fstab says about it.
    machine.run(Command.of("mount", "-o", options, facts.source, point, timeout=SECONDS))


def _give_back(
    record: PendingUndo,
    machine: Runner,
    undo_log: UndoLog,
    read_mounts: Callable[[], Sequence[Mount]],
) -> None:
    """Make a file system writable again, unless it is or is gone."""
    facts = msgspec.json.decode(record.facts, type=_ReadOnlyRecord)
    why = "mount had no complaint, but the kernel says so"
    for _ in range(ATTEMPTS):
        if not _is_read_only(facts, read_mounts()):
            break
        try:
            _remount(facts, "rw", machine)
        except CommandError as error:
            why = str(error)
    if _is_read_only(facts, read_mounts()):
        point = str(BoardPath(facts.point))
        raise DegradedError(
            f"{point} stays read-only: {why}", hint=f"`mount -o remount,rw {point}`"
        )
    undo_log.clear(record)


def _is_read_only(facts: _ReadOnlyRecord, now: Sequence[Mount]) -> bool:
    where = BoardPath(facts.point)
    return any(m.is_read_only for m in now if (m.device, m.point) == (facts.device, where))


def give_back_left_over(
    undo_log: UndoLog,
    machine: Runner,
    *,
    read_mounts: Callable[[], Sequence[Mount]] = mounts.read_mounts,
) -> tuple[str, ...]:
    """Make writable what an ended run left read-only; return the mount points, for the report.

    Raises:
        DegradedError: something stays read-only; it is tried again the next time.
    """
    done, failed = [], []
    for record in undo_log.pending(KIND):
        point = str(BoardPath(msgspec.json.decode(record.facts, type=_ReadOnlyRecord).point))
        try:
            _give_back(record, machine, undo_log, read_mounts)
        except DegradedError as error:
            failed.append(str(error))
        else:
            done.append(point)
    if failed:
        raise DegradedError("; ".join(failed), hint="`mount -o remount,rw MOUNTPOINT`")
    return tuple(done)
