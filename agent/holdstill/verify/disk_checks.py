"""Checks of what belongs to no partition: the partition table and the boot gap."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from holdstill.disks import boot_gap, partition_table
from holdstill.model.layout import TableLabel
from holdstill.verify.card_report import UnreadablePartError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.disks.boot_gap import GapExtent
    from holdstill.model.layout import Disk
    from holdstill.system.byte_source import OpenFile
    from holdstill.verify.card_report import CardFindings

_GPT_USUAL = 128
_PARTITION_EXACT = ("type", "uuid", "name", "attrs", "bootable")


def check_table(
    findings: CardFindings, medium: OpenFile, wanted: Disk, found: Disk, *, has_plan: bool
) -> None:
    """Compare a card's table with the planned one; without a plan, places and sizes may differ."""
    for name in ("label", "id"):
        pair = str(getattr(wanted, name)).lower(), str(getattr(found, name)).lower()
        if pair[0] != pair[1]:
            findings.note(0, b"", f"table's {name}", pair)
    if wanted.label is found.label is TableLabel.GPT:
        findings.compare(0, ("entries_lba",), wanted, found)
        if (wanted.table_length or _GPT_USUAL) != found.table_length:
            findings.note(0, b"", "table's length", (wanted.table_length, found.table_length))
        for warning in partition_table.warnings(medium, sector_size=found.sector_size):
            findings.note(0, b"", "table", ("sound", warning))
    there = {partition.number: partition for partition in found.partitions}
    for partition in wanted.partitions:
        other = there.pop(partition.number, None)
        if other is not None:
            places = ("start", "size") if has_plan else ()
            findings.compare(partition.number, (*places, *_PARTITION_EXACT), partition, other)
    for number in there:
        findings.note(number, b"", "partition", ("absent", "present"))


def check_gap(
    findings: CardFindings, medium: OpenFile, disk: Disk, wanted: Sequence[GapExtent] | None
) -> None:
    """Compare the boot gap of a card; None leaves it unchecked.

    What was between partitions is wanted where no partition is now.
    """
    if wanted is None:
        return
    try:
        with findings.reading(0):
            found = boot_gap.read(medium, disk)
    except UnreadablePartError:
        return
    step = disk.sector_size
    first = min((partition.start for partition in disk.partitions), default=0) * step
    kept, _ = boot_gap.where_free(wanted, disk)
    missing = set(kept) - set(found)
    # Between partitions a card may hold what it held before.
    strange = {run for run in found if run.offset < first} - set(wanted)
    for run in sorted(missing):
        findings.note(0, b"", f"boot gap at byte {run.offset}", (_digest(run.data), "otherwise"))
    for run in sorted(strange):
        findings.note(0, b"", f"boot gap at byte {run.offset}", ("otherwise", _digest(run.data)))


def _digest(data: bytes) -> str:
    return f"{len(data)} bytes with SHA-256 {hashlib.sha256(data).hexdigest()}"
