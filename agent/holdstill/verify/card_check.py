"""Whether a finished card or image holds what is in a capture.

The second witness: tables, file systems and files are read by our own readers, which share
nothing with the tools that wrote them. Nothing is changed, and nothing is mounted but what only
the kernel can read (xfs, btrfs, f2fs): that read-only, where we may. What memory still holds of a
device must have been dropped before, or it is memory that is checked.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import structs

from holdstill.disks import partition_table, volumes_on_disk
from holdstill.model.layout import Subvolume
from holdstill.system import byte_source
from holdstill.verify import disk_checks
from holdstill.verify.card_report import CardFindings, UnreadablePartError
from holdstill.verify.metered_source import Meter, MeteredSource
from holdstill.verify.part_check import PartCheck

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from pathlib import Path

    from holdstill.disks.boot_gap import GapExtent
    from holdstill.model.entries import Entry
    from holdstill.model.layout import Disk, FileSystem
    from holdstill.model.manifest import Manifest
    from holdstill.system.byte_source import OpenFile
    from holdstill.system.process import Runner
    from holdstill.verify.card_report import CardReport


def check_card(
    path: Path,
    manifest: Manifest,
    *,
    expected: Callable[[int], Iterable[Entry]],
    disk: Disk | None = None,
    file_systems: Mapping[int, FileSystem] | None = None,
    gap: Sequence[GapExtent] | None = None,
    progress: Callable[[int], None] = lambda _: None,
    machine: Runner | None = None,
) -> CardReport:
    """Check a finished card or image: its table, and everything that check_contents checks.

    Args:
        path: the card or image.
        manifest: of the capture.
        expected: the entries of a partition as they should be there, in key order.
        disk: the layout that was planned; None when it is not known: then partitions may be of
            any size and at any place.
        file_systems: parameters where they should be other than the manifest's.
        gap: the boot gap as it should be; None leaves it unchecked.
        progress: is called with the bytes read so far.
        machine: mounts, read-only, what only the kernel can read; without it that is unchecked.

    Raises:
        LayoutError: the card has no table that can be read.
    """
    wanted = disk or manifest.disk
    with byte_source.opened(path) as opened:
        findings = CardFindings()
        read = partition_table.read(opened, sector_size=wanted.sector_size)
        found = volumes_on_disk.matched(
            volumes_on_disk.with_volumes(opened, read.numbered_as(wanted)), wanted
        )
        disk_checks.check_table(findings, opened, wanted, found, has_plan=disk is not None)
        encrypted = manifest.in_containers
        _check_partitions(
            findings, opened, _without(manifest, encrypted), found, expected, file_systems or {},
            path=path, meter=Meter(progress), machine=machine,
        )  # fmt: skip
        findings.unchecked += _unseen(encrypted)
        disk_checks.check_gap(findings, opened, found, gap)
        return findings.report()


def check_contents(
    path: Path,
    manifest: Manifest,
    *,
    disk: Disk,
    expected: Callable[[int], Iterable[Entry]],
    file_systems: Mapping[int, FileSystem] | None = None,
    gap: Sequence[GapExtent] | None = None,
    progress: Callable[[int], None] = lambda _: None,
    machine: Runner | None = None,
    inside: Path | None = None,
) -> CardReport:
    """Check the partitions of a planned layout, whether or not its table is written yet.

    Parameters of every file system, every field and byte of every entry, swap areas, raw
    partitions, and the boot gap. The arguments are those of check_card; and inside: a file that
    has what is in encrypted containers, unencrypted, at its place on the card.
    """
    meter = Meter(progress)
    encrypted = manifest.in_containers
    with byte_source.opened(path) as opened:
        findings = CardFindings()
        _check_partitions(
            findings, opened, _without(manifest, encrypted), disk, expected, file_systems or {},
            path=path, meter=meter, machine=machine,
        )  # fmt: skip
        if inside is not None:
            inner = structs.replace(
                manifest, parts=tuple(p for p in manifest.parts if p.partition in encrypted)
            )
            with byte_source.opened(inside) as unencrypted:
                _check_partitions(
                    findings, unencrypted, inner, disk, expected, file_systems or {},
                    path=inside, meter=meter, machine=machine,
                )  # fmt: skip
        elif encrypted:
            findings.unchecked += _unseen(encrypted)
        disk_checks.check_gap(findings, opened, disk, gap)
        return findings.report()


def _without(manifest: Manifest, numbers: frozenset[int]) -> Manifest:
    return structs.replace(
        manifest, parts=tuple(part for part in manifest.parts if part.partition not in numbers)
    )


def _unseen(numbers: frozenset[int]) -> list[str]:
    return [f"volume {number}: it is in an encrypted container" for number in sorted(numbers)]


def _check_partitions(
    findings: CardFindings,
    opened: OpenFile,
    manifest: Manifest,
    disk: Disk,
    expected: Callable[[int], Iterable[Entry]],
    others: Mapping[int, FileSystem],
    *,
    path: Path,
    meter: Meter,
    machine: Runner | None,
) -> None:
    """Check every partition of the manifest in the place that disk gives it."""
    present = {area.number: area for area in disk.areas}
    for part in manifest.parts:
        if isinstance(part.file_system, Subvolume):
            continue  # checked with its partition
        partition = present.get(part.number)
        if partition is None:
            findings.note(part.number, b"", "partition", ("present", "missing"))
            continue
        start = partition.start * disk.sector_size
        try:
            with findings.reading(part.number):
                window = opened.window(start, partition.size * disk.sector_size)
            with byte_source.uncached(path, window) as source:
                PartCheck(
                    findings, part.number, MeteredSource(source, meter), meter, start,
                    part.content_bytes, path, machine,
                ).check(
                    others.get(part.number, part.file_system), expected,
                    manifest.subvolumes(part.number),
                )  # fmt: skip
        except UnreadablePartError:
            continue
