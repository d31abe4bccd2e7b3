"""Decide a rebuild: what each file system needs, whether that fits, and every step."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING

from msgspec import structs

from holdstill.model.layout import Ext4, Fat, Other
from holdstill.rebuild import fit, fit_f2fs, fit_fat, fit_other, fit_trial, fitting, planner, sload
from holdstill.rebuild.planner import Need
from holdstill.rebuild.writers import other

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from holdstill.rebuild.planner import Plan
    from holdstill.system.process import Runner
    from holdstill.workflow.rebuild import RebuildSource


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
    wish: PlanOptions,
    machine: Runner,
    step: Callable[[str], None] = lambda _: None,
) -> Plan:
    """Decide every step.

    Args:
        source: what is to be rebuilt.
        size: bytes of the target.
        wish: what is to be otherwise than on the captured card.
        machine: this one.
        step: is told of work that takes long.

    Raises:
        TargetRefusedError: it does not fit, and the error says by how much; or this machine
            cannot make one of the file systems.
    """
    for part in source.manifest.parts:
        if isinstance(part.file_system, Other):
            other.insist_possible(part.file_system, machine, number=part.number)
    wanted = needs(source, machine)
    planned = functools.partial(
        planner.plan,
        source.manifest,
        target_size=size,
        grow=wish.grow,
        leave_free=wish.leave_free,
    )
    try:
        plan = planned(needs=wanted)
    except fitting.DoesNotFitError:
        if not _could_fit(source, planned, wanted):
            raise
        step("trying how small a file system may become; this takes minutes")
        wanted |= _tried(source, machine)
        plan = planned(needs=wanted)
    notes = []
    for part in source.manifest.parts:
        if isinstance(part.file_system, Other) and other.must_load(part.file_system, machine):
            sload.check_room(wanted[part.number].size, number=part.number)
            lost = sload.losses(source.entries(part.number)).lines()
            how = (
                "this kernel cannot mount f2fs, so it is loaded by sload.f2fs, "
                "and its contents are not read back"
            )
            notes += [f"partition {part.number}: {line}" for line in (how, *lost)]
    return structs.replace(plan, notes=(*plan.notes, *notes))


def needs(source: RebuildSource, machine: Runner) -> dict[int, Need]:
    """Find out how small each partition of files may become, by counting and by trying."""
    found = {}
    for part in source.manifest.parts:
        if isinstance(part.file_system, Ext4):
            entries = source.measured(part.number)
            usage = fit.need(entries, part.file_system, contents=source.contents)
            found[part.number] = fit.minimum(part.file_system, usage, machine=machine)
        elif isinstance(part.file_system, Fat):
            found[part.number] = fit_fat.need(source.entries(part.number), part.file_system)
        elif isinstance(part.file_system, Other) and part.file_system.type == "f2fs":
            blocks = fit_f2fs.blocks(source.entries(part.number))
            found[part.number] = fit_f2fs.minimum(blocks, machine=machine)
        elif isinstance(part.file_system, Other):
            found[part.number] = fit_other.need(source.entries(part.number), part.file_system)
    return found


def _ruled(source: RebuildSource) -> dict[int, Other]:
    """Return the file systems whose need is known by a rule only, by partition."""
    return {
        part.number: part.file_system
        for part in source.manifest.parts
        if isinstance(part.file_system, Other) and part.file_system.type in fit_other.RULES
    }


def _could_fit(
    source: RebuildSource, planned: functools.partial[Plan], wanted: Mapping[int, Need]
) -> bool:
    """Whether everything would fit if those known by a rule needed no more than mkfs asks for."""
    least = {
        number: Need(0, fit_other.RULES[kind.type].least)
        for number, kind in _ruled(source).items()
    }
    try:
        planned(needs={**wanted, **least})
    except fitting.DoesNotFitError:
        return False
    return bool(least)


def _tried(source: RebuildSource, machine: Runner) -> dict[int, Need]:
    """Find out more exactly, by trying, how small the xfs and btrfs may become; takes minutes."""
    return {
        number: fit_trial.minimum(
            functools.partial(source.measured, number), kind,
            contents=source.overlay.over(source.contents), machine=machine,
        )
        for number, kind in _ruled(source).items()
    }  # fmt: skip
