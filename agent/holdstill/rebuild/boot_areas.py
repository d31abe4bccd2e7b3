"""The areas of an eMMC in a rebuild: written if the person asks for it, else said. Pure.

A wrong boot loader there can keep a board from ever starting again, and a replacement may be
another revision of the board. So they are never written by default, not even to an eMMC.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Protocol

from msgspec import structs

from holdstill.errors import TargetRefusedError, UsageError
from holdstill.model import emmc_boot
from holdstill.model.attachment_names import BOOTED_AREAS, area_of
from holdstill.model.sizes import human
from holdstill.rebuild.steps import PutBootArea, WriteTable

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from holdstill.model.manifest import Attachment, Manifest
    from holdstill.rebuild.planner import Plan

_ANY = "/dev/mmcblkN"


class TargetArea(Protocol):
    """An area that the target has."""

    @property
    def device(self) -> Path:
        """Its node."""

    @property
    def size(self) -> int:
        """Bytes."""

    @property
    def is_locked(self) -> bool:
        """Whether the eMMC lets nobody write to it."""

    @property
    def is_guarded_for_good(self) -> bool:
        """Whether the kernel keeps it read-only, and nobody here may change that."""

    @property
    def is_in_use(self) -> bool:
        """Whether somebody has it, or a partition on it."""


class AreaDecision(NamedTuple):
    """What becomes of the captured areas: steps that write them, and notes for people."""

    steps: tuple[PutBootArea, ...]
    notes: tuple[str, ...]


def decide(
    manifest: Manifest, there: Mapping[str, TargetArea], *, is_wanted: bool, capture: str
) -> AreaDecision:
    """Decide what becomes of the areas of the first disk.

    Args:
        manifest: of the capture, or of one of its disks.
        there: the target's areas, by name; none for an image or a card.
        is_wanted: whether the person asked for them to be written.
        capture: what people call the capture.

    Raises:
        UsageError: they are asked for, and there are none in the capture.
        TargetRefusedError: the target has not got one of them, or a smaller one, or it cannot be
            written.
    """
    areas = {area_of(item.name): item for item in manifest.boot_areas}
    if not is_wanted:
        setting = (_boot_setting(manifest.disk.emmc_boot),) if areas else ()
        return AreaDecision((), (*_by_hand(areas, there, capture), *setting))
    if not areas:
        raise UsageError(
            f"{capture} has no boot areas: the board has none, or nobody ever wrote to them",
            hint="leave --boot-areas out",
        )
    reasons = [reason for name, item in areas.items() for reason in _reasons(name, item, there)]
    if reasons:
        raise TargetRefusedError(
            f"the boot areas cannot be written: {'; '.join(reasons)}",
            hint="leave --boot-areas out: all else is written then, and it is said how to take "
            "them out as files; nothing was written",
        )
    steps = tuple(
        PutBootArea(area=name, attachment=item, device=str(there[name].device))
        for name, item in areas.items()
    )
    return AreaDecision(steps, (_boot_setting(manifest.disk.emmc_boot),))


def with_areas(plan: Plan, decision: AreaDecision) -> Plan:
    """Return a plan that writes them when all else was read back, just before the table."""
    at = next(n for n, step in enumerate(plan.steps) if isinstance(step, WriteTable))
    steps = (*plan.steps[:at], *decision.steps, *plan.steps[at:])
    return structs.replace(plan, steps=steps, notes=(*plan.notes, *decision.notes))


def _reasons(name: str, item: Attachment, there: Mapping[str, TargetArea]) -> Iterator[str]:
    found = there.get(name)
    if found is None:
        yield f"the target has no {name} of its own, as an eMMC has in its board"
    elif found.size < item.size:
        short = item.size - found.size
        yield f"{found.device} is too small by {short} bytes: {human(item.size)} are needed"
    elif found.is_locked:
        yield f"{found.device} is locked by the eMMC, until it loses power or for ever"
    elif found.is_guarded_for_good:
        yield (
            f"{found.device} is kept read-only by the kernel, and `force_ro` below /sys cannot be "
            "written here, as in a container"
        )
    elif found.is_in_use:
        yield f"{found.device} is in use: see `lsblk`"


def _by_hand(
    areas: Mapping[str, Attachment], there: Mapping[str, TargetArea], capture: str
) -> Iterator[str]:
    """Yield what is left to do for each area that is not written."""
    for name, item in areas.items():
        found = there.get(name)
        has_room = found is not None and found.size >= item.size
        device = str(found.device) if found is not None and has_room else f"{_ANY}{name}"
        option = ", unless --boot-areas is said" if has_room else ""
        use = "from which it may boot" if name in BOOTED_AREAS else "for general purposes"
        yield (
            f"{name} of the board's eMMC ({human(item.size)} beside its sectors, {use}) is not "
            f"written{option}. By hand, if it is the right one for that very board: "
            + ", ".join(f"`{command}`" for command in _commands(name, item, device, capture))
        )


def _commands(name: str, item: Attachment, device: str, capture: str) -> Iterator[str]:
    """Yield what writes an area; Linux guards boot areas only (drivers/mmc/core/mmc.c)."""
    guard = f"/sys/block/{device.removeprefix('/dev/')}/force_ro"
    is_guarded = name in BOOTED_AREAS
    yield f"holdstill get {capture} {item.name}"
    yield from [f"echo 0 > {guard}"] if is_guarded else []
    yield f"dd if={item.name} of={device} bs=64K conv=fsync"
    yield from [f"echo 1 > {guard}"] if is_guarded else []


def _boot_setting(config: int | None) -> str:
    """Say what has to be done about which area is booted; mmc-utils' commands are from memory."""
    booted = emmc_boot.booted(config)
    if config is None or not booted:
        return (
            "which area the board's eMMC boots from (PARTITION_CONFIG, byte 179 of its EXT_CSD) "
            "is not known: on the board, `mmc extcsd read` shows it (mmc-utils)"
        )
    number, acknowledged = emmc_boot.enabled(config), emmc_boot.acknowledges(config)
    return (
        f"the board's eMMC boots from {booted} (PARTITION_CONFIG 0x{config:02x}), and that is not "
        f"written: on the board, `mmc bootpart enable {number} {acknowledged} {_ANY}` makes "
        "another one do so (mmc-utils)"
    )
