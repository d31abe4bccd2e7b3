"""Take one capture of a board and seal it at the keeper: the whole story, top to bottom."""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import msgspec

from holdstill.board import card_trend, health, hooks, identity, tmpfs, undo_log
from holdstill.board import spool as spools
from holdstill.board.spool import Spool
from holdstill.errors import (
    DegradedError,
    PauseError,
    PreflightError,
    UsageError,
    VerificationError,
)
from holdstill.model.manifest import FORMAT, Grade, Manifest, Moment, Pause
from holdstill.model.paths import display
from holdstill.model.settings import OverBudget, Unreadable
from holdstill.records import manifest_file, signature
from holdstill.system import clocks
from holdstill.transport.rsync import TransferMode
from holdstill.workflow import (
    attachments,
    board_state,
    build_manifest,
    capture_scope,
    pause,
    precopy,
    recovery,
)
from holdstill.workflow.board_state import LastCapture
from holdstill.workflow.capture_method import HAS_FILES, CaptureMethod
from holdstill.workflow.capture_report import CaptureReport, PartReport
from holdstill.workflow.pause import PauseResult
from holdstill.workflow.precopy import PendingAmount
from holdstill.workflow.upload import Uploader

if TYPE_CHECKING:
    from collections.abc import Iterator
    from collections.abc import Set as AbstractSet
    from pathlib import Path

    from holdstill.board.health import Health
    from holdstill.board.service_control import HookRunner
    from holdstill.board.undo_log import UndoLog
    from holdstill.model.manifest import Attachment, CapturedPart
    from holdstill.model.protocol import Hello, RunStarted, SealResult
    from holdstill.model.settings import BoardSettings
    from holdstill.records.index_file import Index
    from holdstill.system.clocks import Clock
    from holdstill.workflow.board_state import BoardState
    from holdstill.workflow.capture_scope import CaptureScope, OpenTrees
    from holdstill.workflow.ports import BulkTransfer, Keeper, Progress
    from holdstill.workflow.precopy import PrecopyResult

RATE = 200e6
"""Bytes a second that a pause is assumed to copy before one has been measured."""


@dataclass(frozen=True)
class CaptureDependencies:
    """What a capture is handed."""

    keeper: Keeper
    carrier: BulkTransfer
    machine: HookRunner
    clock: Clock
    tell: Progress


def capture(settings: BoardSettings, means: CaptureDependencies) -> CaptureReport:
    """Take one capture and seal it at the keeper.

    Raises:
        BusyError: another run is active.
        PreflightError: refused before anything was touched.
        PauseError: the board could not be held still; everything runs again.
        LinkError: the keeper could not be reached, or lacks room.
        VerificationError: bytes are not what they should be; nothing was sealed.
    """
    started = means.clock.monotonic()
    seen = capture_scope.survey_board(settings)
    hooks.check(settings.hooks, settings.never_pause)
    with ExitStack() as undo:
        kept = undo.enter_context(board_state.opened(settings.state))
        run = undo.enter_context(_begun(seen, kept, means))
        run.copy_live()
        run.hold_still()
        run.finish_contents()
        manifest = run.seal()
        run.note_card()
    return run.report(manifest, means.clock.monotonic() - started)


@contextmanager
def _begun(seen: CaptureScope, kept: BoardState, means: CaptureDependencies) -> Iterator[Run]:
    """Hold everything that a run needs; without a seal, the keeper is told that it is over."""
    settings, clock = seen.settings, means.clock
    place = tmpfs.choose(settings.spool)
    with ExitStack() as undo:
        debts = undo.enter_context(undo_log.opened(place))
        left_over = _put_back(debts, means)
        limit = spools.limit_for(place, settings.pause.spool_share)
        spool = undo.enter_context(Spool(place, limit))
        means.tell.step("asking the keeper")
        _check_board(means.keeper.hello(), settings)
        begun = means.keeper.begin()
        undo.callback(means.keeper.abandon)
        index = undo.enter_context(kept.index())
        followed = undo.enter_context(capture_scope.open_trees(seen, kept, spool.directory, clock))
        bank = Uploader(keeper=means.keeper, carrier=means.carrier, begun=begun, tell=means.tell)
        run = Run(seen, means, kept, debts, spool, begun, index, followed, bank)
        run.warnings += [f"an earlier run had left behind: {what}" for what in left_over]
        run.health = health.read_health(seen.board, means.machine)
        run.warnings += run.health.warnings
        yield run


def _check_board(hello: Hello, settings: BoardSettings) -> None:
    """See that the keeper means the same board, before anything is sent or held.

    Raises:
        UsageError: this key was enrolled for another board.
    """
    if hello.board != settings.board:
        raise UsageError(
            f"the settings are of board {settings.board}, and the keeper knows this key as board "
            f"{hello.board}'s",
            hint="correct `board` in the settings, or enrol this board with a key of its own",
        )


def _put_back(debts: UndoLog, means: CaptureDependencies) -> tuple[str, ...]:
    """Undo what a run that was killed has left, before anything new is held.

    Raises:
        PreflightError: something cannot be put back; a person must look.
    """
    try:
        return recovery.put_back(debts, machine=means.machine, clock=means.clock)
    except DegradedError as error:
        raise PreflightError(
            f"an earlier run left something that cannot be put back: {error}", hint=error.hint
        ) from error


@dataclass
class Run:
    """One run, with what it holds open and what it has found out so far."""

    seen: CaptureScope
    means: CaptureDependencies
    kept: BoardState
    debts: UndoLog
    spool: Spool
    begun: RunStarted
    index: Index
    followed: OpenTrees
    bank: Uploader
    attached: dict[str, Path] = field(default_factory=dict)
    spared: frozenset[str] = frozenset()
    precopied: PrecopyResult | None = None
    outcome: PauseResult | None = None
    warnings: list[str] = field(default_factory=list)
    sealed_name: str = ""
    health: Health | None = None

    @property
    def settings(self) -> BoardSettings:
        """The board's settings."""
        return self.seen.settings

    # While the board runs ----------------------------------------------------------------------

    def copy_live(self) -> None:
        """Copy everything while services run, in rounds, until the pause will be short."""
        self._copy_apart()
        self.bank.requeue_missing(self.index, since=self._asked_since())
        rate = self.kept.last.copy_rate or RATE
        self.precopied = precopy.converge(
            self._round, settings=self.settings.pause, rate=rate, clock=self.means.clock
        )

    def _copy_apart(self) -> None:
        """Copy what nobody writes to: boot gap, raw partitions, unmounted file systems."""
        self.means.tell.step("boot gap and partitions without live files")
        found = attachments.copy_gap(self.seen.board, self.spool.directory)
        if found is not None:
            self.attached[attachments.GAP] = found
        for part in self.seen.parts(CaptureMethod.RAW):
            self.attached[attachments.raw_name(part.number)] = attachments.copy_raw(
                part, self.seen.board, self.spool.directory, room=self.spool.left
            )
        for tree in self.followed.unmounted.values():
            tree.update_live(self.index, seq=self.begun.seq)
        for number in self.index.parts():
            if number not in self.followed.numbers:
                self.index.remove_part(number)
        self.index.commit()

    def _asked_since(self) -> int:
        """Return from which capture on the keeper may not have what the index says.

        Rows of later captures than the last sealed one are of runs that were cut off. If that is
        not the keeper's last one, too, it is asked about everything.
        """
        last = self.kept.last
        return last.seq + 1 if last.manifest and last.manifest == self.begun.previous else 0

    def _round(self, number: int) -> PendingAmount:
        """Do one hot round: find what changed, hash it, and send what the keeper lacks."""
        self.means.tell.step(f"hot round {number}: looking")
        for tree in self.followed.mounted.values():
            tree.update_live(self.index, seq=self.begun.seq)
        if number == 1 and self._is_cross_check_due():
            self._cross_check()
        dirt = precopy.total(
            [PendingAmount(*self.index.pending_totals(n)) for n in self.followed.numbers]
        )
        self.means.tell.step(f"hot round {number}: copying")
        for place in self.followed.all:
            self.bank.upload_pending(self.index, place)
        return dirt

    def _is_cross_check_due(self) -> bool:
        return self.kept.last.unchecked + 1 >= self.settings.full_scan_every

    def _cross_check(self) -> None:
        """Compare the change detection with a look at everything; it must not have missed any."""
        self.means.tell.step("cross-check: looking at everything")
        for tree in self.followed.mounted.values():
            missed = tree.cross_check(self.index, seq=self.begun.seq)
            if missed:
                shown = ", ".join(display(path) for path in missed[:5])
                self.warnings.append(
                    f"the change detection ({tree.detection}) had missed {len(missed)} changes on "
                    f"partition {tree.part}, such as {shown}; everything was read again. Please "
                    "report this"
                )

    # The pause ---------------------------------------------------------------------------------

    def hold_still(self) -> None:
        """Hold the board still and take the rest into memory; or give up, as the settings say.

        Raises:
            PauseError: it could not be held still, and the settings say to abandon the run then.
        """
        self.means.tell.step("holding the board still")
        self.index.commit()  # in the pause nothing may be written, not even by SQLite
        try:
            with self.means.tell.silent():
                self.outcome = pause.pause(
                    self.seen, self.followed, self.index, self.spool,
                    debts=self.debts, machine=self.means.machine, clock=self.means.clock,
                )  # fmt: skip
        except PauseError as error:
            if self.settings.pause.over_budget is not OverBudget.LOWER_GRADE:
                raise
            self.warnings.append(f"the board was not held still: {error}")
            self.outcome = PauseResult.without_pause(self.means.clock)
        self.warnings += self.outcome.troubles

    # After the pause ---------------------------------------------------------------------------

    def finish_contents(self) -> None:
        """Hash and send what the pause took; settle what could not be held still."""
        self.means.tell.step("sending what the pause took")
        assert self.outcome is not None  # noqa: S101  hold_still came before
        for number, tree in self.followed.mounted.items():
            if number in self.outcome.still:
                self.bank.upload_pending(
                    self.index, tree.commit_frozen(self.index, seq=self.begun.seq)
                )
                self._note_unreadable(number, tree.unreadable)
            else:
                self._settle(number)
        self._check_complete()

    def _settle(self, number: int) -> None:
        """Copy a tree again until two looks agree; else as it is found, and say so."""
        assert self.outcome is not None  # noqa: S101
        tree = self.followed.mounted[number]
        # What is known to go on changing is not worth the wait.
        is_live = self.seen.chosen[number].way is CaptureMethod.LIVE
        for _ in range(1 if is_live else self.settings.pause.rounds):
            tree.update_live(self.index, seq=self.begun.seq)
            self.bank.upload_pending(self.index, tree)
            if not tree.has_changed(self.index):
                self.outcome.settled.add(number)
                return
        left = tree.take_live(self.index, self.spool, seq=self.begun.seq)
        self.bank.upload_pending(self.index, left)
        self.warnings.append(
            f"partition {number} changed all the time: its parts may be of different moments"
        )

    def _note_unreadable(self, number: int, found: list[bytes]) -> None:
        self.bank.stats.unreadable += [(number, path) for path in found]

    def _check_complete(self) -> None:
        """See that every file has its content, or a reason not to.

        Raises:
            VerificationError: files are unreadable and the settings refuse that, or kept changing.
        """
        names = [display(path) for _, path in self.bank.stats.unreadable]
        if names and self.settings.unreadable is Unreadable.REFUSE:
            raise VerificationError(
                f"{len(names)} files cannot be read from the card: {', '.join(names[:5])}",
                hint="nothing was sealed. The card may be dying: set `unreadable: accept` to "
                "capture all else at once, then replace it",
            )
        if names:
            self.warnings.append(f"{len(names)} files are unreadable: {', '.join(names[:5])}")
        self._check_contents()

    def _check_contents(self) -> None:
        for number in self.followed.numbers:
            left = self.index.pending(number, after=(b"", b""), limit=20)
            if left:
                shown = ", ".join(display(entry.path) for entry in left[:5])
                raise VerificationError(
                    f"files kept changing while they were read: {shown}",
                    hint="nothing was sealed. Quiet what writes them with a hook, exclude them, "
                    "or let the file system be frozen",
                )

    # Sealing -----------------------------------------------------------------------------------

    def seal(self) -> Manifest:
        """Send index and attachments, sign the manifest, and have the keeper seal it."""
        self.means.tell.step("sealing")
        described = self._send_attachments()
        manifest = self._manifest(described)
        data = manifest_file.encode(manifest)
        seal = signature.sign(data, self.settings.key, self.means.machine)
        self._have_sealed(data, seal)
        self._remember(data, manifest)
        return manifest

    def _send_attachments(self) -> dict[str, Attachment]:
        """Send what the keeper does not have the same from last time."""
        self.index.commit()
        described = attachments.described(self._attachments())
        self.spared = frozenset(n for n, a in described.items() if a in self.begun.seeded)
        self._send(described.keys() - self.spared)
        return described

    def _attachments(self) -> dict[str, Path]:
        return {**self.attached, attachments.INDEX: self.kept.index_path}

    def _send(self, names: AbstractSet[str]) -> None:
        chosen = {name: path for name, path in self._attachments().items() if name in names}
        index = {name: chosen.pop(name) for name in names & {attachments.INDEX}}
        for files, shape in ((chosen, TransferMode.SPARSE), (index, TransferMode.PAGES)):
            if files:
                sent = self.means.carrier.send(files, self.begun.attachments, shape=shape)
                self.bank.stats.wire_bytes += sent.wire_bytes

    def _asked_to_seal(self, data: bytes, seal: bytes) -> SealResult:
        """Ask for the seal; if what was spared is not as it was at the keeper, send it after all.

        It lay there as a copy of the last capture's: that disk may have lost it since.
        """
        try:
            return self.means.keeper.seal(data, seal)
        except VerificationError:
            if not self.spared:
                raise
        self._send(self.spared)
        self.spared = frozenset()
        return self.means.keeper.seal(data, seal)

    def _have_sealed(self, data: bytes, seal: bytes) -> None:
        """Have it sealed; contents that the keeper turns out to lack are sent once more."""
        answer = self._asked_to_seal(data, seal)
        if answer.lacking:
            self.bank.resend(self.index, {p.part: p for p in self.followed.all}, answer.lacking)
            answer = self.means.keeper.seal(data, seal)
        if not answer.name:
            raise VerificationError(
                f"the keeper still lacks {len(answer.lacking)} contents",
                hint="nothing was sealed; run the capture again",
            )
        self.warnings += answer.warnings
        self.sealed_name = answer.name

    def _manifest(self, described: dict[str, Attachment]) -> Manifest:
        now = self.means.clock.now()
        assert self.outcome is not None  # noqa: S101
        assert self.precopied is not None  # noqa: S101
        settings = self.settings
        raws = {
            part.number: described[name]
            for part in self.seen.board.parts
            if (name := attachments.raw_name(part.number)) in described
        }
        return Manifest(
            format=FORMAT,
            agent=build_manifest.agent_version(),
            board=identity.read_identity(settings.board, settings.root),
            seq=self.begun.seq,
            run=self.begun.run,
            previous=self.begun.previous,
            moment=Moment(
                taken_at=clocks.rfc3339(self.outcome.taken_at),
                monotonic=round(self.outcome.monotonic, 6),
                boot_id=identity.boot_id(),
                clock_trusted=identity.is_clock_trusted(now.year),
            ),
            disk=self.seen.board.disk,
            parts=tuple(self._part(number, raws) for number in self.seen.chosen),
            swap_files=build_manifest.swap_files(self.index, self.followed.numbers),
            pause=Pause(
                window_ms=round(self.outcome.window_seconds * 1000, 1),
                frozen_ms=round(self.outcome.frozen_seconds * 1000, 1),
                rounds=self.precopied.rounds,
                predicted_ms=round(self.precopied.predicted_seconds * 1000, 1),
                spool_bytes=self.outcome.spool_bytes,
                hooks=self.outcome.hooks,
            ),
            index=described[attachments.INDEX],
            gap=described.get(attachments.GAP),
            raws=tuple(raws.values()),
            warnings=(*self.warnings, *self._notes()),
        )

    def _notes(self) -> tuple[str, ...]:
        assert self.outcome is not None  # noqa: S101
        return (*self.seen.board.warnings, *self.outcome.notes)

    def _part(self, number: int, raws: dict[int, Attachment]) -> CapturedPart:
        part, chosen = self.seen.board.part(number), self.seen.chosen[number]
        tree = self.followed.mounted.get(number) or self.followed.unmounted.get(number)
        unreadable = [path for n, path in self.bank.stats.unreadable if n == number]
        return build_manifest.captured_part(
            part,
            chosen=chosen,
            grade=self._grade(number),
            index=self.index,
            detection=tree.detection if tree else "",
            excluded=self.seen.excludes_on(part) if chosen.way in HAS_FILES else (),
            unreadable=unreadable,
            raws=raws,
        )

    def _grade(self, number: int) -> Grade:
        """Return what was reached, which may be less than what was meant."""
        assert self.outcome is not None  # noqa: S101
        chosen = self.seen.chosen[number]
        if number not in self.followed.mounted or number in self.outcome.still:
            return chosen.grade
        return Grade.SETTLED if number in self.outcome.settled else Grade.LIVE

    def _remember(self, data: bytes, manifest: Manifest) -> None:
        """Keep what makes the next capture cheap."""
        assert self.outcome is not None  # noqa: S101
        for number, tree in self.followed.mounted.items():
            bound_to = self.followed.rules[number].fingerprint
            self.kept.save_baseline(number, tree.baseline(bound_to))
        last = LastCapture(
            board=self.settings.board,
            keeper=str(self.settings.keeper),
            seq=manifest.seq,
            manifest=manifest_file.digest(data),
            unchecked=0 if self._is_cross_check_due() else self.kept.last.unchecked + 1,
            copy_rate=self.outcome.copy_rate or self.kept.last.copy_rate,
        )
        self.kept.save(last)

    def note_card(self) -> None:
        """Note how the card does, where the clock can be believed; the capture is sealed."""
        clock = self.means.clock
        if self.health is None or not identity.is_clock_trusted(clock.now().year):
            return
        try:
            device = self.seen.board.device
            card_trend.record(self.settings.state, device, self.health, clock)
        except OSError as error:
            self.warnings.append(f"how the card does could not be noted: {error}")

    def report(self, manifest: Manifest, seconds: float) -> CaptureReport:
        """Say how it went."""
        tally = self.bank.stats
        return CaptureReport(
            board=manifest.board.name,
            name=self.sealed_name,
            seq=manifest.seq,
            parts=tuple(_part_report(part) for part in manifest.parts),
            frozen_ms=manifest.pause.frozen_ms,
            window_ms=manifest.pause.window_ms,
            rounds=manifest.pause.rounds,
            spool_bytes=manifest.pause.spool_bytes,
            hashed_bytes=tally.hashed_bytes,
            wire_bytes=tally.wire_bytes,
            new_bytes=tally.new_bytes,
            seconds=round(seconds, 2),
            warnings=tuple(dict.fromkeys(self.warnings)),
            notes=self._notes(),
        )


def _part_report(part: CapturedPart) -> PartReport:
    words = msgspec.to_builtins(part.file_system)
    return PartReport(
        number=part.number,
        place=part.mount,
        kind=str(words.get("type") or words["kind"]),
        grade=part.grade,
        detection=part.detection,
        entries=part.entries,
        files=part.files,
        content_bytes=part.content_bytes,
    )
