"""Describes a board, and what a capture of it would hold. Changes nothing."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import (
    boot_areas,
    card_history,
    card_trend,
    freeze_order,
    health,
    hooks,
    identity,
    layout,
    mount_top,
    mounts,
    tmpfs,
)
from holdstill.board.card_history import Trend
from holdstill.board.health_report import Health
from holdstill.errors import HoldstillError
from holdstill.model import tree_views
from holdstill.model.finding import Finding
from holdstill.model.layout import (
    Disk,
    Ext4,
    Fat,
    FileSystem,
    Partition,
    Record,
    Subvolume,
)
from holdstill.model.manifest import BoardIdentity, Grade
from holdstill.model.protocol import Hello
from holdstill.model.settings import SPOOL, Encrypted, StoreOnCard
from holdstill.model.tree_views import TreeView
from holdstill.workflow import (
    attachments,
    capture_method,
    capture_refusals,
    capture_scope,
    check_completeness,
    in_the_clear,
    inspect_large_files,
    line_report,
    store_on_card,
)
from holdstill.workflow.capture_method import CaptureMethod, MethodChoice
from holdstill.workflow.capture_scope import CaptureScope
from holdstill.workflow.inspect_large_files import PauseNow
from holdstill.workflow.line_report import LineReport

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from datetime import tzinfo

    from holdstill.board.layout import BoardLayout, BoardPart
    from holdstill.board.mounts import Mount
    from holdstill.model.settings import BoardSettings
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner


class InspectedDisk(Record, frozen=True):
    """One disk of the board.

    Attributes:
        gap_bytes: bytes between table and first partition that are not zero.
        boot_areas: devices of an eMMC beside its sectors that a capture would hold, unless nobody
            ever wrote to them.
    """

    device: str
    layout: Disk
    gap_bytes: int
    boot_areas: tuple[str, ...] = ()


class InspectedPart(Record, frozen=True, kw_only=True):
    """One partition, or subvolume of it, and what a capture would do with it.

    Attributes:
        label: what people call it.
        mount: where it is seen as a whole; views: where folders of it are.
        how: files, nothing, raw bytes.
        grade: what the capture would promise; "" for nothing to promise.
        why: the reason, as a sentence.
    """

    number: int
    label: str
    device: str
    start: int
    size: int
    type: str
    file_system: FileSystem
    mount: str
    views: tuple[TreeView, ...] = ()
    options: str
    how: str
    grade: str
    why: str
    used_bytes: int

    @property
    def seen(self) -> tuple[TreeView, ...]:
        """Where it is seen, as a whole or by its folders."""
        return (*tree_views.at_top(self.mount), *self.views)


class Inspection(Record, frozen=True, kw_only=True):
    """What inspect found.

    Attributes:
        disks: what would be captured, the one that the board boots from first.
        findings: what a capture would lack, what could not be rebuilt, what is left out.
        not_needed: mounts that are not on the disks, and that nothing needs.
        excluded: contents that stay out.
        keeper: the keeper's answer, None without one.
        health: of card, file systems and power supply.
        trend: what became of the card since earlier captures.
        pause: what it would cost now, for large files.
        line: what is known of the line to the keeper; None where that is a directory.
        refusals: why a capture would be refused now, and what to do; nothing if it would not.
    """

    board: BoardIdentity
    disks: tuple[InspectedDisk, ...]
    parts: tuple[InspectedPart, ...]
    findings: tuple[Finding, ...]
    not_needed: tuple[str, ...]
    excluded: tuple[str, ...]
    free_memory: int
    keeper: Hello | None
    health: Health
    trend: Trend
    warnings: tuple[str, ...]
    pause: PauseNow
    line: LineReport | None = None
    refusals: tuple[str, ...] = ()

    @property
    def is_refused(self) -> bool:
        """Whether a capture would be refused now."""
        return bool(self.refusals)


def inspect(
    settings: BoardSettings,
    *,
    ask_keeper: Callable[[], Hello] | None,
    excluded: tuple[str, ...],
    machine: Runner,
    clock: Clock,
    zone: tzinfo,
) -> Inspection:
    """Inspect the board and the keeper.

    zone: the board's time zone.

    Raises:
        LayoutError: the board's disk cannot be understood.
    """
    all_mounts = mounts.read_mounts()
    found = capture_scope.read_board(settings, all_mounts)
    choices = capture_method.choose_all(found, settings)
    warnings = [*found.warnings, *_live(choices)]
    scope = CaptureScope(settings, found, choices, all_mounts)
    warnings += freeze_order.not_held(scope.stacked(), capture_method.FREEZABLE)
    if settings.spool != SPOOL and not tmpfs.is_memory(settings.spool):
        warnings.append(
            f"spool: {settings.spool} is not memory (a tmpfs): {tmpfs.FALLBACK} serves"
        )
    warnings += hooks.check(settings.hooks, settings.never_pause)
    complete = check_completeness.check(settings, found, choices)
    warnings += [
        f"leave_out: nothing that is called {word} is missing" for word in complete.unused
    ]
    if settings.store_on_card is StoreOnCard.ACCEPT:
        warnings += filter(None, [store_on_card.remark(settings, found.devices)])
    if settings.encrypted is Encrypted.STORE_IN_CLEAR:
        warnings += filter(None, [in_the_clear.remark(found, choices)])
    keeper = None
    if ask_keeper is not None:
        try:
            keeper = ask_keeper()
        except HoldstillError as error:
            warnings.append(f"the keeper did not answer: {error}")
    return Inspection(
        board=identity.read_identity(settings.board, settings.root),
        disks=tuple(_disks(found, settings)),
        parts=tuple(
            _inspected(part, found.disk_of(part).layout, choices[part.number])
            for part in found.parts
        ),
        findings=complete.findings,
        not_needed=complete.not_needed,
        excluded=excluded,
        free_memory=free_memory(),
        keeper=keeper,
        health=health.read_health(found, machine),
        trend=card_history.judge(card_trend.load(settings.state)),
        warnings=tuple(warnings),
        pause=inspect_large_files.watch(scope, clock),
        line=line_report.read(settings, clock.now().astimezone(zone)),
        refusals=tuple(_refusals(settings, found, choices, all_mounts)),
    )


def free_memory(source: Path = Path("/proc/meminfo")) -> int:
    """Return the bytes that programs could still get (proc(5), MemAvailable)."""
    for line in source.read_text(encoding="ascii").splitlines():
        name, _, rest = line.partition(":")
        if name == "MemAvailable":
            return int(rest.split()[0]) * 1024
    return 0


def _disks(found: BoardLayout, settings: BoardSettings) -> Iterator[InspectedDisk]:
    areas = [area for area in boot_areas.find(found, settings) if not area.obstacle]
    for place, disk in enumerate(found.disks, start=1):
        own = tuple(str(area.device) for area in areas if area.place == place)
        yield InspectedDisk(str(disk.device), disk.layout, attachments.gap_size(disk), own)


def _inspected(part: BoardPart, disk: Disk, chosen: MethodChoice) -> InspectedPart:
    area = disk.area(part.partition)
    return InspectedPart(
        number=part.number,
        label=part.label,
        device=str(part.device),
        start=part.offset // disk.sector_size,
        size=part.size,
        type=area.type if isinstance(area, Partition) else "",
        file_system=part.file_system,
        mount=part.place,
        views=part.views,
        options=part.mount.options if part.mount else "",
        how=chosen.method,
        grade=chosen.grade,
        why=chosen.why,
        used_bytes=_used(part),
    )


def _used(part: BoardPart) -> int:
    if isinstance(part.file_system, Subvolume):
        return 0  # it shares the room of its file system
    if part.mount is not None and part.mount.type != layout.PLAIN_DIRECTORY:
        with suppress(OSError), mount_top.opened(part.mount) as handle:
            about = os.statvfs(handle)
            return (about.f_blocks - about.f_bfree) * about.f_frsize
    match part.file_system:
        case Ext4(used_blocks=blocks, block_size=size):
            return blocks * size
        case Fat(used_clusters=clusters, sectors_per_cluster=sectors, sector_size=size):
            return clusters * sectors * size
        case _:
            return 0


def _live(choices: Mapping[int, MethodChoice]) -> list[str]:
    return [
        f"partition {number}: {choice.why}"
        for number, choice in choices.items()
        if choice.method is not CaptureMethod.REFUSED and choice.grade is Grade.LIVE
    ]


def _refusals(
    settings: BoardSettings,
    found: BoardLayout,
    choices: Mapping[int, MethodChoice],
    all_mounts: tuple[Mount, ...],
) -> Iterator[str]:
    for error in (
        *capture_refusals.of_board(settings, found, choices, all_mounts),
        *capture_refusals.of_store(settings, found, all_mounts),
    ):
        yield f"{error}; what to do: {error.hint}" if error.hint else str(error)
