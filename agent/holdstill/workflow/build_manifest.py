"""Build the manifest of a capture from what the run found out."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import msgspec

from holdstill.board import card_trend, identity
from holdstill.errors import LayoutError
from holdstill.filesystems.swap import swap_reader
from holdstill.model import attachment_names, tree_views
from holdstill.model.entries import Omitted
from holdstill.model.layout import Raw
from holdstill.model.manifest import (
    FORMAT,
    UNREADABLE_LISTED,
    Attachment,
    CapturedPart,
    FurtherDisk,
    Grade,
    Manifest,
    Moment,
    Pause,
    SwapFile,
)
from holdstill.model.paths import display
from holdstill.system import byte_source, clocks
from holdstill.version import VERSION
from holdstill.workflow.capture_method import HAS_FILES, CaptureMethod

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from holdstill.board.followed_files import Way
    from holdstill.board.layout import BoardPart
    from holdstill.model.entries import Entry
    from holdstill.model.finding import Finding
    from holdstill.records.index_queries import Index
    from holdstill.workflow.capture_method import MethodChoice
    from holdstill.workflow.capture_run import CaptureRun
    from holdstill.workflow.pause import PauseResult
    from holdstill.workflow.precopy import PrecopyResult


def build(
    run: CaptureRun,
    rounds: PrecopyResult,
    paused: PauseResult,
    *,
    settled: frozenset[int],
    written: frozenset[int],
    attached: Mapping[str, Attachment],
    findings: tuple[Finding, ...],
    warnings: tuple[str, ...],
) -> Manifest:
    """Describe the whole capture.

    Args:
        run: scope, index and uploads.
        rounds: of the hot rounds.
        paused: how the pause went.
        settled: partitions that were not held still, and of which two passes agreed.
        written: partitions that are not mounted, and that somebody wrote to all the same.
        attached: the files that go beside the manifest, by name.
        findings: what the check for completeness found, before the pause and now.
        warnings: of the run so far.
    """
    scope, settings = run.scope, run.settings
    raws = {
        part.number: attached[name]
        for part in scope.board.parts
        if (name := attachment_names.raw_name(part.number)) in attached
    }
    # Describe the files that are in use as swap: a rebuild makes them again, empty.
    swap_files = tuple(
        _swap_file(run, part, entry)
        for part in sorted(run.trees.numbers)
        for entry in run.index.omitted(part)
        if entry.omitted is Omitted.SWAP
    )
    return Manifest(
        format=FORMAT,
        agent=VERSION,
        board=identity.read_identity(settings.board, settings.root),
        seq=run.seq,
        run=run.started.run,
        previous=run.started.previous,
        last_known=run.last_known,
        moment=Moment(
            taken_at=clocks.rfc3339(paused.taken_at),
            monotonic=round(paused.monotonic, 6),
            boot_id=identity.boot_id(),
            clock_trusted=identity.is_clock_trusted(run.outside.clock.now().year),
        ),
        disk=scope.board.disks[0].layout,
        further_disks=tuple(
            FurtherDisk(
                disk=disk.layout,
                gap=attached.get(attachment_names.gap_name(place)),
                boot_areas=_boot_areas(attached, place),
            )
            for place, disk in enumerate(scope.board.disks[1:], start=2)
        ),
        parts=tuple(
            _captured_part(run, number, grade, raws)
            for number in scope.chosen
            for grade in [
                Grade.LIVE if number in written else _grade(run, number, paused, settled)
            ]
        ),
        root_file=scope.board.root_file,
        swap_files=swap_files,
        pause=Pause(
            window_ms=round(paused.window_seconds * 1000, 1),
            frozen_ms=round(paused.frozen_seconds * 1000, 1),
            rounds=rounds.rounds,
            predicted_ms=round(rounds.predicted_seconds * 1000, 1),
            spool_bytes=paused.spool_bytes,
            hooks=paused.hooks,
        ),
        index=attached[attachment_names.INDEX],
        gap=attached.get(attachment_names.gap_name(1)),
        boot_areas=_boot_areas(attached, 1),
        raws=tuple(raws.values()),
        card=card_trend.last(settings.state),
        seconds=round(run.outside.clock.monotonic() - run.begun_at, 2),
        findings=findings,
        warnings=(*warnings, *scope.board.warnings, *paused.notes),
    )


def _boot_areas(attached: Mapping[str, Attachment], place: int) -> tuple[Attachment, ...]:
    """Return what was attached of the areas of disk 1, 2, ..."""
    names = (attachment_names.area_name(area, place) for area in attachment_names.EMMC_AREAS)
    return tuple(attached[name] for name in names if name in attached)


def _swap_file(run: CaptureRun, part: int, entry: Entry) -> SwapFile:
    """Describe a swap file by its header, which nobody changes while it is in use."""
    found = SwapFile(partition=part, path=display(entry.path), size=entry.size)
    tree = run.trees.mounted.get(part)
    if tree is None:
        return found
    try:
        handle = tree.open(entry)
        try:
            kind = swap_reader.read(byte_source.OpenFile(handle, size=entry.size))
        finally:
            os.close(handle)
    except (OSError, EOFError, LayoutError):
        return found
    return msgspec.structs.replace(
        found, uuid=kind.uuid, label=kind.label, page_size=kind.page_size
    )


def _grade(run: CaptureRun, number: int, paused: PauseResult, settled: frozenset[int]) -> Grade:
    """Return the grade that was reached, which may be lower than the one aimed at."""
    if number not in run.trees.mounted or number in paused.still:
        return run.scope.chosen[number].grade
    return Grade.SETTLED if number in settled else Grade.LIVE


def _captured_part(
    run: CaptureRun, number: int, grade: Grade, raws: Mapping[int, Attachment]
) -> CapturedPart:
    part, chosen = run.scope.board.part(number), run.scope.chosen[number]
    tree = run.trees.mounted.get(number) or run.trees.unmounted.get(number)
    return captured_part(
        part,
        chosen=chosen,
        grade=grade,
        index=run.index,
        detection=tree.detection if tree else "",
        large_files=followed.way if (followed := run.followed.parts.get(number)) else None,
        excluded=run.scope.excludes_on(part) if chosen.method in HAS_FILES else (),
        unreadable=[path for n, path in run.uploader.stats.unreadable if n == number],
        raws=raws,
    )


def captured_part(
    part: BoardPart,
    *,
    chosen: MethodChoice,
    grade: Grade,
    index: Index,
    detection: str,
    large_files: Way | None,
    excluded: Sequence[str],
    unreadable: Sequence[bytes],
    raws: Mapping[int, Attachment],
) -> CapturedPart:
    """Describe one partition as it is in the capture.

    Args:
        part: the partition.
        chosen: how it was captured.
        grade: what was reached.
        index: the finished index.
        detection: how changes were found.
        large_files: how changes in large files were found; None where it was not frozen.
        excluded: patterns whose contents stayed out.
        unreadable: paths that the card did not give back.
        raws: raw copies, by partition.
    """
    totals = index.totals(part.number)
    file_system = part.file_system
    if chosen.method is CaptureMethod.LEFT_OUT:
        file_system = Raw(type=kind_of(part))
    if part.number in raws:
        copy = raws[part.number]
        file_system = Raw(type=kind_of(part), digest=copy.sha256, size=copy.size)
    return CapturedPart(
        number=part.number,
        grade=grade,
        file_system=file_system,
        mount=part.place,
        views=part.views[: tree_views.MOST],
        options=part.mount.options if part.mount else "",
        detection=detection or str(chosen.method),
        large_files=large_files.how if large_files else "",
        large_files_why=large_files.why if large_files else "",
        entries=totals.entries,
        files=totals.files,
        content_bytes=totals.content_bytes,
        excluded=tuple(excluded),
        unreadable=_listed(unreadable),
    )


def _listed(unreadable: Sequence[bytes]) -> tuple[str, ...]:
    """List unreadable files; a dying card may have more of them than a manifest has room for."""
    shown = tuple(display(path) for path in unreadable[:UNREADABLE_LISTED])
    left = len(unreadable) - len(shown)
    return (*shown, f"and {left:,} more") if left else shown


def kind_of(part: BoardPart) -> str:
    """Return the short name of what a partition holds."""
    if isinstance(part.file_system, Raw):
        return part.file_system.type
    words = msgspec.to_builtins(part.file_system)
    return str(words.get("type") or words["kind"])
