"""Rebuild a sealed capture as a bootable card or image: the whole story, top to bottom."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Protocol

import msgspec

from holdstill.errors import LayoutError
from holdstill.model.boot import BootFinding, BootVerdict
from holdstill.model.finding import Finding, serious
from holdstill.model.layout import Record
from holdstill.rebuild import boot_areas, bootcheck, compressed_image, disk_choice, execute_plan
from holdstill.rebuild.boot import captured_card
from holdstill.rebuild.boot import card as cards
from holdstill.rebuild.boot.report import BootReport
from holdstill.rebuild.planner import Plan
from holdstill.rebuild.steps import MakeLuks
from holdstill.system import byte_source, termination
from holdstill.workflow import (
    before_start,
    container_keys,
    needed_programs,
    plain_source,
    plan_rebuild,
    rebuild_source,
    rebuild_stages,
    skip_damaged,
)
from holdstill.workflow.plan_rebuild import PlanOptions
from holdstill.workflow.rebuild_steps import StepWriter

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from contextlib import AbstractContextManager

    from holdstill.disks.emmc_areas import EmmcArea
    from holdstill.model.layout import Disk
    from holdstill.model.sealed_capture import SealedCapture
    from holdstill.rebuild.compressed_image import Told
    from holdstill.rebuild.rebuild_target import Target
    from holdstill.workflow.rebuild_dependencies import RebuildDependencies
    from holdstill.workflow.rebuild_source import RebuildSource


class RebuildGoal(Protocol):
    """What is to be written: an image, or a card."""

    @property
    def path(self) -> Path:
        """Where it is."""

    def size(self, captured: Disk) -> int:
        """Return the target's bytes; captured is the disk of the capture."""

    def boot_areas(self) -> Mapping[str, EmmcArea]:
        """Return the areas beside its sectors, by name; none if it is no eMMC in its board."""

    def checked(self, plan: Plan) -> str:
        """Return what it is, in words, if it may be written by whoever agrees to that.

        Raises:
            TargetRefusedError, PreflightError: it may not, or cannot.
        """

    def claimed(self, plan: Plan, packed: Told) -> AbstractContextManager[Target]:
        """Claim the target, after the responsible person has agreed to lose what is on it.

        Args:
            plan: what is written to it.
            packed: is told how much of an image is packed, when the block is left.

        Raises:
            TargetRefusedError: it may not be written.
        """


@dataclass(frozen=True)
class RebuildOptions:
    """What is to be otherwise than on the captured card.

    Attributes:
        disk: which disk of several the target is for, 1 for the first; `all` for all on one.
        sibling: name of the other board that is made; "" for a replacement of the same one.
        leave_out_damaged: leave out files whose contents are damaged in the store.
        boot_areas: write the areas of an eMMC as well, from which the board may boot.
        plain: write what was in encrypted containers unencrypted.
    """

    plan: PlanOptions = field(default_factory=PlanOptions)
    disk: int | Literal["all"] | None = None
    sibling: str = ""
    leave_out_damaged: bool = False
    boot_areas: bool = False
    plain: bool = False


class Proposal(Record, frozen=True, kw_only=True):
    """What a rebuild would do.

    Attributes:
        plan: its steps.
        changes: what a sibling would have otherwise than the captured card.
        left_out: files that would be missing, because they are damaged.
        stops_at: what is known to be wrong with contents that are not to be left out, in words;
            "" if they are, or all are good as far as is known.
        findings: what of the board is not in the capture, or cannot be made again.
        boot: whether a card made of the capture would boot; None before that was judged.
        target: what would be written, in words; "" where nobody has looked.
    """

    plan: Plan
    changes: tuple[str, ...]
    left_out: tuple[str, ...]
    stops_at: str = ""
    findings: tuple[Finding, ...] = ()
    boot: BootFinding | None = None
    target: str = ""

    @property
    def is_whole(self) -> bool:
        """Whether all of the board would be there, and nothing keeps it from booting."""
        is_broken = self.boot is not None and self.boot.verdict is BootVerdict.BROKEN
        return not (self.left_out or self.stops_at or serious(self.findings) or is_broken)


class RebuildReport(Record, frozen=True, kw_only=True):
    """How a rebuild went.

    Attributes:
        target: what was written.
        size: bytes of it.
        written_bytes: contents that were copied.
        checked_entries: entries that were read back by other code and found as captured.
        bootable: whether every link of a boot chain is on the target, as far as it can tell.
        boot: what that comes to.
        boot_trouble: links that are missing, or why it is not known.
        notes: what is not as on the captured card.
        changes: what a sibling has otherwise.
        left_out: files whose contents are damaged in the store, by their paths on the board.
        boot_areas: areas of an eMMC that were written and read back, by their devices.
        findings: what of the board is not in the capture, or could not be made again.
        checksum: the file beside a packed image that has its checksum; "" where there is none.
    """

    board: str
    capture: str
    target: str
    size: int
    entries: int
    written_bytes: int
    checked_entries: int
    seconds: float
    verify_seconds: float
    bootable: bool
    boot: BootVerdict = BootVerdict.UNKNOWN
    boot_trouble: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    changes: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    boot_areas: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    checksum: str = ""

    @property
    def is_whole(self) -> bool:
        """Whether all of the board is there, and it can boot as far as a card can tell."""
        return self.bootable and not self.left_out and not serious(self.findings)


def rebuild(
    capture: SealedCapture,
    goal: RebuildGoal,
    options: RebuildOptions,
    outside: RebuildDependencies,
    *,
    announce: Callable[[Proposal], None] = lambda _: None,
) -> RebuildReport:
    """Rebuild a capture, and read all of it back by other code.

    Args:
        capture: one without faults, or one that the user forces.
        goal: what is written.
        options: what is to be otherwise than on the captured card.
        outside: machine, clock and progress.
        announce: is called with what will be done before the target is claimed.

    Raises:
        TargetRefusedError: it does not fit, or may not be written; nothing was touched.
        TargetFailedError: writing failed; the target has no valid partition table.
        VerificationError: what was read back differs, or the store was damaged.
    """
    state = f"nothing was written to {goal.path}"
    with termination.noting(lambda: state), rebuild_source.opened(capture) as captured:
        source, proposal = _decided(captured, goal, options, outside)
        goal.checked(proposal.plan)  # before anybody is asked for anything
        announce(proposal)
        if any(isinstance(step, MakeLuks) for step in proposal.plan.steps):
            outside = with_passphrase(outside)
        with goal.claimed(proposal.plan, outside.progress.update) as target:
            report = carry_out(target, proposal.plan, source, outside)
            state = _left_of(target)
            if not target.is_device:
                outside.progress.step(rebuild_stages.closing_words(goal.path))
    is_packed = not target.is_device and goal.path.suffix in compressed_image.SUFFIXES
    return msgspec.structs.replace(
        report,
        changes=proposal.changes,
        left_out=proposal.left_out,
        checksum=str(compressed_image.checksum_path(goal.path)) if is_packed else "",
    )


def with_passphrase(outside: RebuildDependencies) -> RebuildDependencies:
    """Ask for the passphrase of encrypted containers before anything is touched.

    Raises:
        UsageError: there is none.
    """
    given = outside.passphrase()
    return replace(outside, passphrase=lambda: given)


def propose(
    capture: SealedCapture,
    goal: RebuildGoal,
    options: RebuildOptions,
    outside: RebuildDependencies,
) -> Proposal:
    """Return what `rebuild` would do with the same arguments; nothing is written.

    Raises:
        TargetRefusedError: it does not fit, or there is nothing that may be written.
    """
    with rebuild_source.opened(capture) as captured:
        _, proposal = _decided(captured, goal, options, outside)
    return msgspec.structs.replace(proposal, target=goal.checked(proposal.plan))


def _decided(
    captured: RebuildSource,
    goal: RebuildGoal,
    options: RebuildOptions,
    outside: RebuildDependencies,
) -> tuple[RebuildSource, Proposal]:
    """Vary the capture as the options say, and plan every step."""
    disk_choice.check(captured.manifest, options.disk)
    before_start.refuse(
        before_start.of_programs(
            needed_programs.of_rebuild(captured.manifest, goal.path, outside.machine)
        )
    )
    changes: tuple[str, ...] = ()
    damaged = skip_damaged.damaged(captured, outside.progress) if options.leave_out_damaged else {}
    source = skip_damaged.without(captured, damaged)
    source = rebuild_source.of_disk(source, options.disk)
    if options.plain:
        source = plain_source.made(source)
    source = container_keys.added(source)
    source.check_attachments(boot_areas=options.boot_areas)
    source.check_lists()
    if options.sibling:
        source, changes = rebuild_source.sibling(source, options.sibling, outside.machine)
    plan = plan_rebuild.plan_rebuild(
        source,
        size=goal.size(source.manifest.disk),
        options=options.plan,
        machine=outside.machine,
        step=outside.progress.step,
    )
    plan = msgspec.structs.replace(plan, notes=(*plan.notes, *source.notes))
    areas = boot_areas.decide(
        source.manifest,
        goal.boot_areas(),
        is_wanted=options.boot_areas,
        capture=f"{captured.capture.board}/{captured.capture.name}",
    )
    left_out = skip_damaged.described(source, damaged)
    return source, Proposal(
        plan=boot_areas.with_areas(plan, areas),
        changes=changes,
        left_out=left_out,
        stops_at="" if options.leave_out_damaged else captured.capture.content_trouble,
        findings=source.manifest.findings,
        boot=captured.capture.boot,
    )


def carry_out(
    target: Target, plan: Plan, source: RebuildSource, outside: RebuildDependencies
) -> RebuildReport:
    """Write a decided plan to a claimed target, read all of it back, and check that it boots.

    Raises:
        TargetFailedError: writing failed; the target has no valid partition table.
        VerificationError: what was read back differs, or the store was damaged.
    """
    started = outside.clock.monotonic()
    outside.progress.expect(
        rebuild_stages.of_plan(
            plan, source.manifest, Path(target.name), is_device=target.is_device
        )
    )
    writer = StepWriter(target, source, outside)
    with closing(writer):
        execute_plan.carry_out(
            plan,
            writer,
            begin=lambda step: outside.progress.step(rebuild_stages.words(step)),
            aftermath=execute_plan.UNFINISHED if target.is_device else execute_plan.NO_IMAGE,
        )
    with termination.noting(lambda: _left_of(target)):
        outside.progress.step(rebuild_stages.BOOT_CHECK)
        boot = _checked_boot(target, source)
    return RebuildReport(
        board=source.manifest.board.name,
        capture=str(source.capture.name),
        target=target.name,
        size=target.size,
        entries=writer.entries,
        written_bytes=writer.written,
        checked_entries=writer.checked,
        seconds=round(outside.clock.monotonic() - started, 2),
        verify_seconds=round(writer.verify_seconds, 2),
        bootable=boot.is_bootable,
        boot=boot.verdict,
        boot_trouble=(*boot.broken_links(), *boot.unseen()),
        notes=(*plan.notes, *writer.warnings),
        boot_areas=tuple(writer.boot_areas),
        findings=source.manifest.findings,
    )


def _left_of(target: Target) -> str:
    """Say what an interruption leaves of a target while it is claimed, whatever was written."""
    return execute_plan.UNFINISHED if target.is_device else execute_plan.NO_IMAGE


def _checked_boot(target: Target, source: RebuildSource) -> BootReport:
    medium = byte_source.OpenFile(target.handle, size=target.size)
    model = source.manifest.board.model
    areas = captured_card.boot_areas(source.manifest)
    trees = captured_card.trees(
        source.manifest,
        source.overlay.over_entries(source.index),
        source.overlay.over(source.capture),
    )
    try:
        card = cards.read_card(medium, sector_size=source.manifest.disk.sector_size)
        card = replace(captured_card.looked_into(card, source.manifest, trees), boot_areas=areas)
        if not source.place:
            at = captured_card.system_at(source.manifest)
            file = captured_card.root_file(source.manifest)
            return bootcheck.judge(replace(card, system_at=at, root_file=file), model=model)
        with captured_card.opened(
            source.capture.manifest(), source.index, source.capture
        ) as captured:
            return bootcheck.judge(captured.with_disk(card, source.place), model=model)
    except LayoutError:  # a file system without a table: no board's firmware starts from that
        return BootReport((), ())
