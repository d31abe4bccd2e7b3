"""Whole cards as images, and the manifests that would describe them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.disks import partition_table
from holdstill.filesystems import probe
from holdstill.model.layout import Container, Disk, FileSystem, Raw
from holdstill.model.manifest import (
    FORMAT,
    Attachment,
    BoardIdentity,
    CapturedPart,
    Grade,
    Manifest,
    Moment,
    Pause,
)
from holdstill.system import byte_source

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

NO_DIGEST = "0" * 64
EXTENDED = frozenset({"5", "f", "85"})


def manifest_of(disk: Disk, file_systems: Mapping[int, FileSystem]) -> Manifest:
    """Describe a card of pier-3 with these file systems, by partition."""
    parts = tuple(
        CapturedPart(number=number, grade=Grade.READ_ONLY, file_system=file_system)
        for number, file_system in sorted(file_systems.items())
    )
    return Manifest(
        format=FORMAT,
        agent="test",
        board=BoardIdentity(name="pier-3"),
        seq=1,
        run="run00001",
        moment=Moment(taken_at="2026-11-25T02:15:03Z", monotonic=1.0, clock_trusted=True),
        disk=disk,
        parts=parts,
        pause=Pause(),
        index=Attachment(name="index.sqlite", sha256=NO_DIGEST, size=0),
    )


def file_systems_of(image: Path, disk: Disk, *, raw: Mapping[int, str]) -> dict[int, FileSystem]:
    """Say what is in each partition; raw has the digests of those that are copied as they are."""
    found: dict[int, FileSystem] = {}
    with byte_source.opened(image) as opened:
        for partition in disk.partitions:
            size = partition.size * disk.sector_size
            window = opened.window(partition.start * disk.sector_size, size)
            if partition.type in EXTENDED:
                found[partition.number] = Container()
            elif partition.number in raw:
                found[partition.number] = Raw(digest=raw[partition.number], size=size)
            else:
                found[partition.number] = probe.probe(window)
    return found


def table_of(image: Path) -> Disk:
    """Read the table of an image."""
    with byte_source.opened(image) as opened:
        return partition_table.read(opened)
