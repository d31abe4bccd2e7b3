"""Results for people: tables and short sentences."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import msgspec

from holdstill.cli import capture_tables
from holdstill.cli.columns import Column, Table
from holdstill.model import emmc_boot, file_system_words, paths, tree_views
from holdstill.model.attachment_names import area_of
from holdstill.model.boot import BootVerdict
from holdstill.model.layout import Partition, Subvolume, TableLabel, Volume
from holdstill.model.sizes import counted, human
from holdstill.rebuild.steps import PutBootArea

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from holdstill.cli.consoles import Console
    from holdstill.keeper.garbage import CollectedGarbage
    from holdstill.keeper.retention import Verdict
    from holdstill.model.boot import BootFinding
    from holdstill.model.finding import Finding
    from holdstill.model.layout import Disk, FileSystem
    from holdstill.model.manifest import BoardIdentity, CapturedPart, Manifest
    from holdstill.model.names import BoardName
    from holdstill.model.settings import Retention
    from holdstill.workflow.capture_report import CaptureReport, PartReport
    from holdstill.workflow.each_board import BoardTrouble
    from holdstill.workflow.extract import Extracted
    from holdstill.workflow.inspect import InspectedPart, Inspection
    from holdstill.workflow.inspect_large_files import PauseNow
    from holdstill.workflow.rebuild import Proposal, RebuildReport
    from holdstill.workflow.verify_captures import VerifyReport

LABELS = {TableLabel.DOS: "MBR", TableLabel.GPT: "GPT", TableLabel.NONE: "no partition table"}


_BOOT_SENTENCES = {
    BootVerdict.WHOLE: "Every link of a boot chain is there, as far as a card can tell "
    "(bootcheck)",
    BootVerdict.BROKEN: "It does not boot as it is",
    BootVerdict.UNKNOWN: "Whether it boots is not known",
}


def _joined(*words: str) -> str:
    return " ".join(word for word in words if word)


def _described(board: BoardIdentity) -> str:
    return _joined(board.model, board.system, board.kernel) or "of an unknown model and system"


def inspection(found: Inspection, out: Console) -> None:
    """Show what inspect found."""
    board = found.board
    out.print(f"Board {board.name}: {_described(board)}")
    for disk in found.disks:
        out.print(
            f"Disk {disk.device}: {human(disk.layout.size)}, {LABELS[disk.layout.label]} "
            f"{disk.layout.id}, {human(disk.gap_bytes)} in the boot gap"
            + "".join(f", {name}" for name in disk.boot_areas)
        )
    _health(found, out)
    out.print()
    rows = Table(
        Column("part", is_number=True), Column("size", is_number=True),
        Column("used", rank=2, is_number=True), Column("mounted"), Column("capture"),
        Column("grade", rank=1), Column("holds", rank=3), Column("why", rank=4),
    )  # fmt: skip
    for part in found.parts:
        rows.add_row(
            part.label, _own(part.file_system, human(part.size)),
            human(part.used_bytes) if part.used_bytes else "-",
            _seen(part), part.how, part.grade, file_system_words.of(part.file_system), part.why,
        )  # fmt: skip
    out.print(rows)
    for one in found.disks:
        for volume in one.layout.volumes:
            out.print(f"{volume.number} is the {volume.words}, in {volume.of}")
    _folders(found.parts, out)
    out.print()
    findings(found.findings, out)
    _list(out, "Not on these disks, and not needed by anything:", found.not_needed)
    _list(out, "Contents left out:", found.excluded)
    out.print(f"Free memory for the pause: {human(found.free_memory)}")
    pause_now(found.pause, out)
    if found.keeper is not None:
        newest = found.keeper.newest
        out.print(
            f"Keeper: takes {human(found.keeper.free_bytes)} today; newest capture: "
            f"{newest.name if newest else 'none yet'}"
        )
    if found.line is not None:
        out.print(f"Line to the keeper: {found.line.words}")
    warnings(found.warnings, out)
    for text in found.refusals:
        out.print(f"A CAPTURE WOULD BE REFUSED: {text}", style="red")


def _health(found: Inspection, out: Console) -> None:
    """Show how the card is doing, and what to do about it."""
    out.print()
    for advice in (*found.health.advice, *found.trend.advice):
        out.print(f"{advice.urgency}: {advice.text}", style="yellow")
    rows = Table(Column("health"), Column("what it says"))
    for subject, words in found.health.rows():
        rows.add_row(subject, words)
    rows.add_row("trend", found.trend.words)
    out.print(rows)


def findings(found: Sequence[Finding], out: Console) -> None:
    """Show what a capture lacks, what cannot be rebuilt of it, and what is left out."""
    for finding in found:
        if finding.is_serious:
            out.print(f"{finding.kind.upper()} {finding.what}: {finding.why}", style="red")
            out.print(f"  what to do: {finding.hint}")
    left = [f"{finding.what}: {finding.why}" for finding in found if not finding.is_serious]
    _list(out, "Left out:", left)


def pause_now(pause: PauseNow, out: Console) -> None:
    """Show how large files are followed, and what a pause would cost now."""
    for part in pause.parts:
        why = f" ({part.why})" if part.why else ""
        out.print(f"Large files of partition {part.label}: {part.how}{why}")
        for file in part.files:
            out.print(
                f"  {file.path}, {human(file.size)}: {file.how}, a pause now would copy "
                f"{human(file.pause_bytes)}"
            )
    if any(part.files for part in pause.parts):
        out.print(
            f"A pause now would copy {human(pause.bytes)} of large files: about "
            f"{pause.seconds * 1000:.0f} ms"
        )


def warnings(texts: Sequence[str], out: Console) -> None:
    """Show warnings, if any."""
    for text in texts:
        out.print(f"warning: {text}", style="yellow")


def _list(out: Console, title: str, items: Sequence[str]) -> None:
    if items:
        out.print(title)
        for item in items:
            out.print(f"  {item}")


def capture_report(report: CaptureReport, out: Console) -> None:
    """Show how a capture went, for a tired person."""
    out.print(f"Sealed {report.board}/{report.name}")
    out.print()
    rows = Table(
        Column("part", is_number=True), Column("mounted"), Column("grade"),
        Column("files", is_number=True), Column("size", is_number=True),
        Column("holds", rank=1), Column("changes found by", rank=2),
    )  # fmt: skip
    for part in report.parts:
        rows.add_row(
            part.label, part.place or "-", part.grade, f"{part.files:,}",
            human(part.content_bytes), part.kind, part.detection,
        )  # fmt: skip
    out.print(rows)
    out.print()
    out.print(
        f"Frozen for {report.frozen_ms:.0f} ms (pause window {report.window_ms:.0f} ms, "
        f"{human(report.spool_bytes)} copied in it) after " + counted(report.rounds, "hot round")
    )
    out.print(
        f"Read {human(report.hashed_bytes)} on the board, sent {human(report.wire_bytes)}, "
        f"{human(report.new_bytes)} new in the store, {report.seconds:.1f} s in all"
    )
    if report.compressed_bytes:
        out.print(
            f"Compressed on the way: {human(report.compressed_bytes)} became "
            f"{human(report.compressed_wire)}"
        )
    for part in report.parts:
        _large_files(part, out)
    for note in report.notes:
        out.print(f"note: {note}")
    findings(report.findings, out)
    warnings(report.warnings, out)


def _large_files(part: PartReport | CapturedPart, out: Console) -> None:
    """Say how changes in large files were found, where they were looked for."""
    if part.large_files:
        why = f" ({part.large_files_why})" if part.large_files_why else ""
        out.print(f"Changes in large files of partition {part.label}: {part.large_files}{why}")


def boot(finding: BootFinding | None, out: Console) -> None:
    """Show whether a card made of a capture would boot."""
    if finding is None:
        return
    out.print(f"A card made of it: {capture_tables.BOOT_WORDS[finding.verdict]}")
    _list(out, "What a boot lacks:", finding.lacking)


def manifest(found: Manifest, out: Console) -> None:
    """Show one capture's manifest readably."""
    board, pause = found.board, found.pause
    out.print(f"Capture {found.seq} of {board.name}, taken {found.moment.taken_at}")
    if not found.moment.clock_trusted:
        out.print("The board's clock was not known to be right at that time", style="yellow")
    host = f", host {board.hostname}" if board.hostname else ""
    out.print(f"Board: {_described(board)}{host}")
    disks = zip(found.disks, found.gaps_by_disk, found.boot_areas_by_disk, strict=True)
    for place, (disk, gap, areas) in enumerate(disks, start=1):
        out.print(
            f"Disk {place}: {disk_words(disk)}, {LABELS[disk.label]} {disk.id}"
            + (f", {human(gap.size)} of boot gap" if gap else "")
            + "".join(
                f", {human(area.size)} of {area_of(area.name)} ({area.name})" for area in areas
            )
            + (f", boots from {emmc_boot.booted(disk.emmc_boot)}" if disk.emmc_boot else "")
        )
    out.print(
        f"Pause: frozen {pause.frozen_ms:.0f} ms (predicted {pause.predicted_ms:.0f}), window "
        f"{pause.window_ms:.0f} ms, {counted(pause.rounds, 'hot round')}, "
        f"{human(pause.spool_bytes)} copied"
        + (f", hooks: {', '.join(pause.hooks)}" if pause.hooks else "")
    )
    if found.in_clear:
        out.print(f"This capture {capture_tables.IN_CLEAR}.", style="yellow")
    out.print()
    _parts(found, out)
    for disk in found.disks:
        for volume in disk.volumes:
            out.print(f"{volume.number} is the {volume.words}, in {volume.of}")
    for part in found.parts:
        name = tree_views.words(part.seen) or part.number
        _large_files(part, out)
        _list(out, f"Left out of {name}:", part.excluded)
        _list(out, f"Unreadable on {name}:", part.unreadable)
    _list(out, "Swap files, made anew by a rebuild:", [f"/{s.path}" for s in found.swap_files])
    findings(found.findings, out)
    warnings(found.warnings, out)


def _own(kind: FileSystem, words: str) -> str:
    """Return what is told of a partition; of a subvolume, which has no place of its own, "-"."""
    return "-" if isinstance(kind, Subvolume) else words


def _type(place: Partition | Volume) -> str:
    return place.type if isinstance(place, Partition) else "-"


def disk_words(disk: Disk) -> str:
    """Return what a disk is, for people."""
    known = _joined(disk.device, disk.model)
    return f"{human(disk.size)} ({known})" if known else human(disk.size)


def _parts(found: Manifest, out: Console) -> None:
    rows = Table(
        Column("part", is_number=True), Column("size", is_number=True), Column("mounted"),
        Column("grade"), Column("files", rank=1, is_number=True),
        Column("contents", rank=2, is_number=True), Column("holds", rank=3),
        Column("start", rank=4, is_number=True), Column("type", rank=5),
    )  # fmt: skip
    for part in found.parts:
        disk = found.disk_of(part)
        place = disk.area(part.partition)
        rows.add_row(
            part.label, _own(part.file_system, human(place.size * disk.sector_size)),
            _seen(part), part.grade, f"{part.files:,}", human(part.content_bytes),
            file_system_words.of(part.file_system), _own(part.file_system, str(place.start)),
            _own(part.file_system, _type(place)),
        )  # fmt: skip
    out.print(rows)
    _folders(found.parts, out)


def _seen(part: InspectedPart | CapturedPart) -> str:
    return tree_views.words(part.seen) or "-"


def _folders(parts: Sequence[InspectedPart] | Sequence[CapturedPart], out: Console) -> None:
    """Show which folders of partitions are seen where, / among them."""
    for part in parts:
        for view in part.views:
            out.print(f"{view.place} is {view.inside or 'the top'} of partition {part.label}")


def plan(proposal: Proposal, out: Console) -> None:
    """Show what a rebuild would do."""
    found = proposal.plan
    out.print(f"Would write {human(found.disk.size)} to {proposal.target}:")
    for step in found.steps:
        words = msgspec.to_builtins(step)
        number = words.get("number")
        place = f" {number}: {human(words['size'])} at {words['offset']}" if number else ""
        if isinstance(step, PutBootArea):
            place = f" {step.area}: {human(step.attachment.size)} to {step.device}"
        out.print(f"  {words['step'].replace('-', ' ')}{place}")
    _list(out, "Otherwise than on the captured card:", found.notes)
    _list(out, "Changed for the new board:", proposal.changes)
    left_out(proposal.left_out, out)
    if proposal.stops_at:
        out.print(
            f"This capture has {proposal.stops_at}, and the rebuild stops at them: `holdstill "
            "verify BOARD` says which and what to do, --leave-out-damaged goes on without damaged "
            "ones"
        )
    boot(proposal.boot, out)


def rebuild_report(report: RebuildReport, out: Console) -> None:
    """Show how a rebuild went."""
    if report.changes:
        out.print(f"Made another board, {report.board}, of {report.capture}: {report.target}")
    else:
        out.print(f"Rebuilt {report.board}/{report.capture} on {report.target}")
    if report.checksum:
        out.print(f"Its SHA-256 is in {report.checksum}: `sha256sum -c` there compares it")
    out.print(
        f"{human(report.size)}: {report.entries:,} entries, {human(report.written_bytes)} of "
        f"contents written; {report.checked_entries:,} entries read back by other code, all as "
        f"captured ({report.seconds:.1f} s, {report.verify_seconds:.1f} s of it reading back)"
    )
    _list(out, "Boot areas written and read back:", report.boot_areas)
    _list(out, "Otherwise than on the captured card:", report.notes)
    _list(out, "Changed for the new board:", report.changes)
    findings(report.findings, out)
    left_out(report.left_out, out)
    out.print(_BOOT_SENTENCES[report.boot])
    _list(out, "That is for:", report.boot_trouble if report.boot is not BootVerdict.WHOLE else ())
    out.print("Read back is not the same as booted: `holdstill rehearse` boots it in an emulator")


def got(found: Extracted, capture: str, target: Path, out: Console) -> None:
    """Show what was taken out of a capture."""
    files = counted(found.files, "file")
    place = paths.display(os.fsencode(target))
    out.print(f"{place}: {files}, {human(found.size)}, from {capture}")
    for skipped, why in found.skipped:
        out.print(f"skipped /{paths.display(skipped)}: {why}")
    left_out([f"/{paths.display(path)}" for path in found.damaged], out)


def left_out(files: Sequence[str], out: Console) -> None:
    """Show which files are missing, since the store no longer has them whole."""
    _list(out, "LEFT OUT, for their contents are damaged in the store:", files)


def store_report(report: VerifyReport, out: Console, *, is_repaired: bool) -> None:
    """Show what reading a store again has shown."""
    out.print(
        f"{counted(report.contents, 'content')}, {human(report.bytes)} read and good"
        + (
            f"; {report.skipped:,} more references to contents that were found good before"
            if report.skipped
            else ""
        )
    )
    for name in report.captures:
        out.print(f"  {name}: every content is good")
    for name in report.gone:
        out.print(f"  {name}: deleted by thinning meanwhile")
    # Each path in one piece: lines are not folded.
    for note in report.notes:
        out.print(f"note: {note}")
    for text in report.odd:
        out.print(f"ODD {text}", style="yellow")
    for text in report.unread:
        out.print(f"NOT READ {text}", style="red")
    if report.unread:
        out.print(_UNREAD)
    for text in report.missing:
        out.print(f"MISSING {text}", style="red")
    if report.missing:
        out.print(_MISSING)
    for fault in report.faults:
        out.print(f"NOT TRUSTWORTHY {fault}", style="red")
    if report.faults:
        out.print(_FAULTY)
    for damage in report.damages:
        awaited = "; taken out by --repair, and awaited" if damage.is_awaited else ""
        out.print(f"DAMAGED {damage.path}: {damage.problem}{awaited}", style="red")
        _list(out, "  it is in", damage.hits)
    if any(damage.is_awaited for damage in report.damages):
        out.print(_AWAITED)
    if not (is_repaired or all(damage.is_awaited for damage in report.damages)):
        out.print(_DAMAGED)
    _list(out, _MISCOUNTED, report.miscounted)


_MISCOUNTED = (
    "references.sqlite, which is derived, does not say what these captures need; `holdstill "
    "keeper recount` makes it again, and no capture is the worse for it"
)
_UNREAD = (
    "what to do: see that the store's user may read it (`ls -l`, `chmod u+rwX`), and verify as "
    "that user; what could not be read is not known to be damaged"
)
_MISSING = (
    "what to do: `holdstill keeper recount STORE` takes back what rests in trash/; put the others "
    "back from a copy of the store. An index that was taken out by --repair comes back with the "
    "board's next capture if nothing has changed there since. What is gone for good is given up "
    "with `holdstill keeper accept STORE BOARD --forget-missing`; until then "
    "nothing of anybody's is deleted"
)
_FAULTY = (
    "what to do: find out who or what altered these before anything is built on them; other "
    "captures can be used. Where a ledger was lost, `holdstill keeper accept STORE BOARD --reason "
    "...` takes in what its board signed"
)
_AWAITED = (
    "what to do: run `holdstill capture` on the boards of those that are awaited; what they do "
    "not have any more stays damaged in these captures"
)
_DAMAGED = (
    "what to do: `holdstill verify --repair` has the board send it again; `holdstill rebuild "
    "--leave-out-damaged` does without those files"
)


def troubles(found: Sequence[BoardTrouble], err: Console) -> None:
    """Show which boards could not be done, and why: a line each."""
    for trouble in found:
        err.print(trouble.sentence, style="red")


def collected(swept: CollectedGarbage, days: float, out: Console) -> None:
    """Show what became of contents that no capture needs."""
    if swept.complaints:
        _list(out, "No contents were deleted, since not all can be judged:", swept.complaints)
        out.print(
            "what to do: `holdstill list` and `holdstill verify` say more. What is gone, or of no "
            "more use, its owner gives up with `holdstill keeper accept` (--forget-missing, "
            "--forget CAPTURE)"
        )
        return
    out.print(
        f"{counted(swept.contents, 'content')} ({human(swept.bytes)}) went to the trash, for "
        f"{days:g} days; {human(swept.given_back)} given back"
    )
    if swept.early:
        out.print(f"{human(swept.early)} of that before its time: the disk is nearly full")


def verdicts(
    found: Mapping[BoardName, Sequence[Verdict]],
    own: Mapping[BoardName, Retention],
    out: Console,
    *,
    is_applied: bool,
) -> None:
    """Show what retention decided about every capture, and which rule is a board's own."""
    goes = "deleted" if is_applied else "would be deleted"
    for board, of_board in found.items():
        out.print(f"{board}{capture_tables.own_rule(own.get(board))}:")
        for verdict in of_board:
            why = f"stays: {verdict.stays_for}" if verdict.is_kept else goes
            out.print(f"  {verdict.name}  {why}")
