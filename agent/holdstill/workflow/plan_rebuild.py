"""Decide a rebuild: what each file system needs, whether that fits, and every step."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING

from msgspec import structs

from holdstill.disks import luks_writer
from holdstill.errors import VerificationError
from holdstill.filesystems.ext4 import ext4_parameters, ext4_sizing
from holdstill.filesystems.fat import fat_sizing
from holdstill.filesystems.kernel_filled import (
    f2fs_sizing,
    f2fs_sload,
    kernel_writer,
    sizing_by_rule,
    sizing_by_trial,
    subvolume_trees,
)
from holdstill.model import paths
from holdstill.model.entries import EntryType
from holdstill.model.layout import Ext4, Fat, Luks, Need, Other
from holdstill.rebuild import partition_layout, planner
from holdstill.rebuild.steps import MakeExt4
from holdstill.workflow import image_room

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from holdstill.model.entries import Entry
    from holdstill.rebuild.planner import Plan
    from holdstill.rebuild.steps import AnyStep
    from holdstill.system.process import Runner
    from holdstill.workflow.rebuild_source import RebuildSource


@dataclass(frozen=True)
class PlanOptions:
    """What the person wants otherwise than the captured card.

    Attributes:
        grow: the partition that gives or takes the difference in size; None = the last one.
        leave_free: bytes at the end for the card's own use.
    """

    grow: int | None = None
    leave_free: int = 0


def plan_rebuild(
    source: RebuildSource,
    *,
    size: int,
    options: PlanOptions,
    machine: Runner,
    step: Callable[[str], None] = lambda _: None,
) -> Plan:
    """Decide every step.

    Args:
        source: what is to be rebuilt.
        size: bytes of the target.
        options: what is to be otherwise than on the captured card.
        machine: this one.
        step: is called with work that takes long.

    Raises:
        TargetRefusedError: it does not fit, and the error says by how much; or this machine
            cannot make one of the file systems.
        VerificationError: a subvolume has no place in the capture.
    """
    for part in source.manifest.parts:
        if isinstance(part.file_system, Luks):
            luks_writer.check_possible(part.file_system, number=part.number)
        if isinstance(part.file_system, Other):
            kernel_writer.check_possible(part.file_system, machine, number=part.number)
    check_subvolumes(source)
    wanted = needs(source, machine)
    planned = functools.partial(
        planner.plan,
        source.manifest,
        target_size=size,
        grow=options.grow,
        leave_free=options.leave_free,
    )
    try:
        plan = planned(needs=wanted)
    except partition_layout.DoesNotFitError:
        if not _could_fit(source, planned, wanted):
            raise
        step("trying how small a file system may become; this takes minutes")
        wanted |= {
            number: sizing_by_trial.minimum(
                functools.partial(_all_trees, source, number), kind,
                contents=source.overlay.over(source.capture), machine=machine,
            )
            for number, kind in _ruled(source).items()
        }  # fmt: skip
        plan = planned(needs=wanted)
    notes = []
    for part in source.manifest.parts:
        if isinstance(part.file_system, Other) and kernel_writer.must_load(
            part.file_system, machine
        ):
            f2fs_sload.check_room(wanted[part.number].size, number=part.number)
            lost = f2fs_sload.losses(source.entries(part.number)).lines()
            how = (
                "this kernel cannot mount f2fs, so it is loaded by sload.f2fs, "
                "and its contents are not read back"
            )
            notes += [f"partition {part.number}: {line}" for line in (how, *lost)]
    steps = tuple(_settled(step, wanted, machine) for step in plan.steps)
    return structs.replace(
        plan,
        steps=steps,
        notes=(*plan.notes, *notes),
        least_bytes=image_room.least(source),
    )


def _settled(step: AnyStep, wanted: Mapping[int, Need], machine: Runner) -> AnyStep:
    """Return a step that makes an ext4 with parameters that leave room for its tree."""
    if not isinstance(step, MakeExt4):
        return step
    parameters = ext4_sizing.settled(step.parameters, wanted[step.number], machine=machine)
    return structs.replace(step, parameters=parameters)


def needs(source: RebuildSource, machine: Runner) -> dict[int, Need]:
    """Find out how small each partition of files may become, by counting and by trying."""
    found = {}
    for part in source.manifest.parts:
        if isinstance(part.file_system, Ext4):
            entries = source.measured(part.number)
            parameters = ext4_parameters.without_mount_guard(part.file_system)
            usage = ext4_sizing.need(entries, parameters, contents=source.capture)
            found[part.number] = ext4_sizing.minimum(parameters, usage, machine=machine)
        elif isinstance(part.file_system, Fat):
            found[part.number] = fat_sizing.need(source.entries(part.number), part.file_system)
        elif isinstance(part.file_system, Other) and part.file_system.type == "f2fs":
            blocks = f2fs_sizing.blocks(source.entries(part.number))
            found[part.number] = f2fs_sizing.minimum(blocks, machine=machine)
        elif isinstance(part.file_system, Other):
            found[part.number] = sizing_by_rule.need(
                _all_trees(source, part.number), part.file_system, contents=source.capture
            )
    return found


def check_subvolumes(source: RebuildSource) -> None:
    """Check that every subvolume is in a directory that is captured, before anything is written.

    Raises:
        VerificationError: one is not.
    """
    for part in source.manifest.parts:
        trees = {kind.path.encode(): n for n, kind in source.manifest.subvolumes(part.number)}
        for path in trees:
            directory, _ = paths.split(path)
            tops = [top for top in trees if directory == top or directory.startswith(top + b"/")]
            top = max(tops, key=len, default=b"")
            inside = directory[len(top) :].strip(b"/")
            entry = source.index.get(trees.get(top, part.number), inside)
            if entry is None or entry.type is not EntryType.DIRECTORY:
                raise VerificationError(
                    f"subvolume {paths.display(path)} of partition {part.number} is in "
                    f"{paths.display(directory) or 'the top'!r}, which is no directory in it",
                    hint="take another capture: `holdstill list` shows them",
                )


def _all_trees(source: RebuildSource, number: int) -> Iterable[Entry]:
    """Return the entries of a file system with those of its subvolumes, as if they were one."""
    return subvolume_trees.as_one(source.measured(number), source.subvolumes(number))


def _ruled(source: RebuildSource) -> dict[int, Other]:
    """Return the file systems whose need is known by a rule only, by partition."""
    return {
        part.number: part.file_system
        for part in source.manifest.parts
        if isinstance(part.file_system, Other) and part.file_system.type in sizing_by_rule.RULES
    }


def _could_fit(
    source: RebuildSource, planned: functools.partial[Plan], wanted: Mapping[int, Need]
) -> bool:
    """Whether everything would fit if those known by a rule needed no more than mkfs asks for."""
    least = {
        number: Need(0, sizing_by_rule.RULES[kind.type].least)
        for number, kind in _ruled(source).items()
    }
    try:
        planned(needs={**wanted, **least})
    except partition_layout.DoesNotFitError:
        return False
    return bool(least)
