"""Audit the card: a part of it each night, continuing where the last night stopped."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import BusyError, UsageError
from holdstill.model import tree_views
from holdstill.model.layout import Ext4, Record
from holdstill.records import index_file
from holdstill.system import clocks, files, uncached_read
from holdstill.verify import reread
from holdstill.verify.reread import Meter, RereadFinding
from holdstill.workflow import board_state, capture_scope

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from holdstill.board.layout import BoardLayout
    from holdstill.board.scan import Scanner
    from holdstill.model.entries import Entry
    from holdstill.model.pieces import PieceList
    from holdstill.model.settings import BoardSettings
    from holdstill.system.clocks import Clock
    from holdstill.verify.reread import BadRange, RereadBudget
    from holdstill.workflow.board_state import LastCapture
    from holdstill.workflow.capture_scope import CaptureScope
    from holdstill.workflow.ports import Progress

BATCH = 500
"""Files between two checks of the bookmark: what a run that is killed has to do again."""


class AuditPosition(Record, frozen=True, kw_only=True):
    """Where the next run goes on.

    Attributes:
        part, directory, name: the last file that was read; names in hexadecimal.
        began_at: when this pass over the card began.
        finished_at: when the last whole pass ended, "" for never.
    """

    part: int = 0
    directory: str = ""
    name: str = ""
    began_at: str = ""
    finished_at: str = ""

    @property
    def key(self) -> tuple[bytes, bytes]:
        """The place in the order of entries."""
        return bytes.fromhex(self.directory), bytes.fromhex(self.name)


class AuditRange(Record, frozen=True, kw_only=True):
    """A part of a file that is not what it was.

    Attributes:
        offset, length: where in the file, in bytes.
        disk: the device node of the disk that it is on.
        disk_byte: the byte of the disk at which it begins; -1 where that cannot be told.
        is_unreadable: whether the card gives an error for it instead of other bytes.
    """

    offset: int
    length: int
    disk: str
    disk_byte: int
    is_unreadable: bool


class AuditDamage(Record, frozen=True, kw_only=True):
    """A file that is not what it was.

    Attributes:
        path: on the board.
        fetch: the command that takes the good copy out of the store, here or at the keeper.
        ranges: the first that are bad, of a file that is stored in pieces.
        more: how many more there are.
    """

    path: str
    problem: str
    fetch: str
    ranges: tuple[AuditRange, ...] = ()
    more: int = 0


class AuditReport(Record, frozen=True, kw_only=True):
    """What one run has found.

    Attributes:
        capture: board/capture that the card is compared with.
        files, bytes: read again.
        changed: files that changed since the capture, and so cannot be compared.
        is_whole_pass: whether the end of the card was reached.
        pass_began_at: when this pass began, maybe nights ago.
        stopped: why the run ended early; "" when the budget or the card ended it.
        unchecked: partitions that cannot be audited.
    """

    capture: str
    files: int
    bytes: int
    changed: int
    damages: tuple[AuditDamage, ...]
    is_whole_pass: bool
    pass_began_at: str
    stopped: str
    unchecked: tuple[str, ...]
    seconds: float


def audit(
    settings: BoardSettings, *, budget: RereadBudget, rate: float, clock: Clock, progress: Progress
) -> AuditReport:
    """Read unchanged files again until the budget is used up, from where the last run stopped.

    Raises:
        UsageError: there is no capture to compare with.
        BusyError: a capture is under way.
    """
    state = settings.state
    if not (state / "last.json").exists():
        raise UsageError(
            f"this board remembers no capture ({state})",
            hint="take one first: `holdstill capture`",
        )
    uncached_read.lower_priority()
    scope = capture_scope.survey_board(settings)
    progress.step("reading unchanged files again")
    with capture_scope.open_scanners(scope) as scanners:
        run = _AuditRun(state, scope, scanners, Meter(budget, clock, rate), progress)
        run.go_on()
    return run.report()


@dataclass
class _AuditRun:
    state: Path
    scope: CaptureScope
    scanners: Mapping[int, Scanner]
    meter: Meter
    progress: Progress
    stopped: str = ""
    is_whole: bool = False

    def __post_init__(self) -> None:
        try:
            self.mark = msgspec.json.decode(_place(self.state).read_bytes(), type=AuditPosition)
        except (FileNotFoundError, msgspec.MsgspecError):
            self.mark = AuditPosition()  # lost or damaged: the next pass begins again
        self.last: LastCapture | None = None
        self._pass_began = self.mark.began_at

    def go_on(self) -> None:
        """Check batch after batch; the memory is held only while the index is read.

        A capture that begins meanwhile is not in our way, and we are not in its.
        """
        while not self.is_whole and (self.last is None or not self.meter.is_spent):
            try:
                part, batch = self._next_batch()
            except BusyError:
                if self.last is None:
                    raise
                self.stopped = "a capture began; the next run goes on from here"
                return
            if batch:
                known = len(self.meter.findings)
                last = reread.reread(part, self.scanners[part], batch, self.meter, self._known)
                for finding in self.meter.findings[known:]:
                    self.progress.warn(f"{self._shown(finding)}: {finding.problem}")
                self.progress.update(self.meter.bytes, self.meter.budget.bytes)
                if last is not None:
                    self._pass_began = self.mark.began_at or self._now()
                    self._save(
                        AuditPosition(
                            part=part, directory=last.directory.hex(), name=last.name.hex(),
                            began_at=self._pass_began, finished_at=self.mark.finished_at,
                        )
                    )  # fmt: skip
            else:
                self.is_whole = True
                self._save(AuditPosition(finished_at=self._now()))

    def _next_batch(self) -> tuple[int, list[Entry]]:
        with (
            board_state.opened(self.state) as kept,
            index_file.opened(kept.index_path) as index,
        ):
            self.last = kept.last
            for part in sorted(set(index.parts()) & set(self.scanners)):
                if part < self.mark.part:
                    continue
                after = self.mark.key if part == self.mark.part else (b"", b"")
                batch = index.contents_after(part, after=after, limit=BATCH)
                if batch:
                    return part, batch
        return 0, []

    def _save(self, mark: AuditPosition) -> None:
        self.mark = mark
        files.publish(_place(self.state), msgspec.json.encode(mark))

    def _known(self, digest: bytes) -> PieceList | None:
        return board_state.remembered_list(self.state, digest)

    def _now(self) -> str:
        return clocks.rfc3339(self.meter.clock.now())

    def _shown(self, finding: RereadFinding) -> str:
        views = self.scope.board.part(finding.part).seen
        return tree_views.shown(views, finding.part, finding.path)

    def _damage(self, finding: RereadFinding, capture: str) -> AuditDamage:
        path = self._shown(finding)
        name = path.rpartition("/")[2]
        words = ("holdstill", "get", capture, path, "--to", f"./{name}")
        ranges = tuple(_on_disk(self.scope.board, finding.part, bad) for bad in finding.ranges)
        return AuditDamage(
            path=path, problem=finding.problem, fetch=shlex.join(words),
            ranges=ranges, more=finding.more,
        )  # fmt: skip

    def report(self) -> AuditReport:
        """Sum up."""
        assert self.last is not None  # noqa: S101  at least one batch was asked for
        capture = f"{self.last.board}/{self.last.seq:06d}"
        meter = self.meter
        left = (part for part in self.scope.board.parts if part.number not in self.scanners)
        return AuditReport(
            capture=capture,
            files=meter.files,
            bytes=meter.bytes,
            changed=meter.changed,
            damages=tuple(self._damage(finding, capture) for finding in meter.findings),
            is_whole_pass=self.is_whole,
            pass_began_at=self._pass_began,
            stopped=self.stopped,
            unchecked=tuple(f"partition {part.number}: not mounted" for part in left),
            seconds=round(meter.clock.monotonic() - meter.began, 2),
        )


def _on_disk(board: BoardLayout, number: int, bad: BadRange) -> AuditRange:
    """Name a range by its place on the disk, where FIEMAP's places are the partition's."""
    part = board.part(number)
    is_placed = bad.place >= 0 and isinstance(part.file_system, Ext4)
    return AuditRange(
        offset=bad.offset, length=bad.length, is_unreadable=bad.is_unreadable,
        disk=str(board.disk_of(part).device),
        disk_byte=part.offset + bad.place if is_placed else -1,
    )  # fmt: skip


def _place(state: Path) -> Path:
    return state / "audit.json"
