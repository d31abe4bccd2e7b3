"""A FAT: made empty by mkfs.vfat with the recorded parameters, then filled.

mkfs.vfat makes it in a sparse file of its own, and what that consists of is spliced into the
target: mkfs.vfat would claim a device for itself, which we hold. Filling is ours: mcopy needs
copies of all contents, and minutes for a directory with thousands of similar long names.
"""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING

from holdstill.errors import CommandError, TargetFailedError, TargetRefusedError
from holdstill.filesystems.fat.fat_boot_sector import OEM_AT, BootSector
from holdstill.filesystems.fat.fat_populate import FatPopulator
from holdstill.filesystems.writer_input import NoCounter
from holdstill.model import sizes
from holdstill.system import files, sparse_copy, work_folder
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from holdstill.filesystems.writer_input import ByteCounter
    from holdstill.model.entries import Entry
    from holdstill.model.layout import Fat
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.system.process import Runner


def make(
    target: Path,
    *,
    offset: int,
    size: int,
    parameters: Fat,
    entries: Iterable[Entry],
    contents: ContentSource,
    machine: Runner,
    progress: ByteCounter = NoCounter(),  # noqa: B008  it has no state
) -> None:
    """Make a FAT with these entries, in key order, at an offset of a file or device.

    Its size is parameters.sectors, or size bytes where that is 0.

    Raises:
        TargetRefusedError: size is less than parameters.sectors requires, or there is no room.
        SecurityError: names that a FAT cannot hold side by side, or that are no file names.
        VerificationError: a content does not match its digest.
        TargetFailedError: mkfs.vfat failed; its message states why.
    """
    with files.opened(target, os.O_RDWR | os.O_NOFOLLOW) as handle:
        boot = make_empty(handle, offset=offset, size=size, parameters=parameters, machine=machine)
        FatPopulator(handle, offset, boot, contents, progress).fill(entries)


def make_empty(
    target: int, *, offset: int, size: int, parameters: Fat, machine: Runner
) -> BootSector:
    """Put an empty FAT with the recorded parameters at an offset of an open file or device.

    Raises:
        TargetRefusedError: size is less than parameters.sectors requires.
        TargetFailedError: mkfs.vfat failed.
    """
    length = parameters.sectors * parameters.sector_size or size
    if length > size:
        raise TargetRefusedError(f"a FAT of {length} bytes does not fit a partition of {size}")
    with work_folder.made() as folder:
        image, boot = _best(folder, length, parameters, machine)
        with files.opened(image) as source:
            sparse_copy.copy(source, target, size=min(boot.empty_size, length), target_at=offset)
    for sector in boot.boot_sectors:
        at = offset + sector * boot.sector_size + OEM_AT
        oem = parameters.oem.encode("ascii", errors="replace")[:8].ljust(8)
        sparse_copy.write_all_at(target, at, oem)
    return boot


def _best(folder: Path, length: int, parameters: Fat, machine: Runner) -> tuple[Path, BootSector]:
    """Make empty file systems until one is laid out as recorded; else return the nearest.

    mkfs.vfat decides by itself where structures are aligned and how many sectors it rounds away.
    """
    made: list[tuple[Path, BootSector]] = []
    for words in ((), ("-a",), ("-g", "64/1"), ("-a", "-g", "64/1")):
        image = folder / f"{len(made)}.img"
        with files.opened_for_writing(image) as handle:
            os.ftruncate(handle, length)
        try:
            options = [
                *("-F", str(parameters.bits), "-i", f"{parameters.volume_id:08x}"),
                *("-S", str(parameters.sector_size), "-s", str(parameters.sectors_per_cluster)),
                *("-R", str(parameters.reserved_sectors), "-f", str(parameters.fats)),
                *("-h", str(parameters.hidden_sectors), "-M", f"0x{parameters.media:02x}"),
                "--codepage=437",  # in which fat_reader reads labels
            ]
            if parameters.root_entries:
                options += ["-r", str(parameters.root_entries)]
            if parameters.label:
                options += ["-n", parameters.label]
            mkfs = Command.of(
                "mkfs.vfat", *words, *options, image, str(length // 1024), timeout=600
            )
            machine.run(mkfs)
        except CommandError as error:
            free = shutil.disk_usage(folder).free
            raise TargetFailedError(
                f"the FAT could not be made: {error}",
                hint=f"{folder.parent}, where it is prepared, has {sizes.human(free)} free: see "
                "whether that is enough; TMPDIR chooses another place",
            ) from error
        with files.opened(image) as handle:
            boot = BootSector.parse(os.pread(handle, 512, 0), bits=parameters.bits)
        made.append((image, boot))
        if boot.strangeness(parameters) == 0:
            break
    return min(made, key=lambda pair: pair[1].strangeness(parameters))
