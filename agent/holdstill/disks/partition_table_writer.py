"""The partition table: an sfdisk script, made from values alone, and applied last of all.

sfdisk writes nothing but the table: boot code in the first sector and loaders in the boot gap
stay as they are. Of a GPT it writes the backup first, so that a cut never leaves a primary table
that points to nothing. Two things it cannot do are done after it: links of logical partitions
where they were, and a GPT whose entries make room for a loader. `partition_table_check` reads the
result back, and shares nothing with either.
"""

from __future__ import annotations

import os
import re
import stat
import struct
import tempfile
import zlib
from typing import TYPE_CHECKING

from holdstill.disks import logical_chain
from holdstill.errors import CommandError, LayoutError, TargetFailedError
from holdstill.model.layout import TableLabel
from holdstill.model.sizes import SECTOR, align_up
from holdstill.system import byte_source, files, sparse_copy
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.layout import Disk, Partition
    from holdstill.system.process import Runner

_GUID = re.compile(r"[0-9A-Fa-f]{8}-(?:[0-9A-Fa-f]{4}-){3}[0-9A-Fa-f]{12}")
_DOS_ID = re.compile(r"0x[0-9a-f]{8}")
_DOS_TYPE = re.compile(r"[0-9a-fA-F]{1,2}")
_ATTRIBUTES = re.compile(r"[A-Za-z0-9:, ]+")
_PLAIN = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789 -_.+")

NAME_UNITS = 36
"""UTF-16 code units in a partition's name (UEFI Specification 5.3.3)."""


def write(target: Path, disk: Disk, machine: Runner) -> None:
    """Write the table of disk to a file or device; a disk without a table gets none.

    The kernel is not notified: nothing may read the partitions before the claim ends.

    Raises:
        LayoutError: the layout cannot be a table.
        TargetFailedError: it could not be written.
    """
    disk = disk.by_slot()
    if disk.label is TableLabel.NONE:
        return
    size = byte_source.device_or_file_size(target)
    text = script(disk, size=size)
    links = logical_chain.links(disk) if disk.label is TableLabel.DOS else []
    with files.opened(target, os.O_RDWR | os.O_NOFOLLOW) as handle:
        # What sfdisk will overwrite with entries although they belong elsewhere.
        in_the_way = (
            os.pread(handle, _array_bytes(disk), 2 * disk.sector_size) if disk.entries_lba else b""
        )
        is_file = stat.S_ISREG(os.fstat(handle).st_mode)
        apply = _by_fdisk if is_file and disk.sector_size != SECTOR else _by_sfdisk
        try:
            apply(target, text.encode(), disk.sector_size, machine)
        except CommandError as error:
            raise unfinished(f"cannot write the partition table to {target}: {error}") from error
        for sector, data in links:
            sparse_copy.write_all_at(handle, sector * disk.sector_size, data)
        if disk.entries_lba:
            # Move the entries of the primary GPT to where they were, and put the loader back. At
            # every moment the primary header points to whole entries.
            sector = disk.sector_size
            entries = os.pread(handle, _array_bytes(disk), 2 * sector)
            sparse_copy.write_all_at(handle, disk.entries_lba * sector, entries)
            os.fsync(handle)
            header = moved_header(os.pread(handle, sector, sector), disk.entries_lba)
            sparse_copy.write_all_at(handle, sector, header)
            os.fsync(handle)
            sparse_copy.write_all_at(
                handle, 2 * sector, in_the_way[: (disk.entries_lba - 2) * sector]
            )
        os.fsync(handle)


_KEEP = ("--wipe", "never", "--wipe-partitions", "never")


def _by_sfdisk(target: Path, text: bytes, sector_size: int, machine: Runner) -> None:
    """Apply a script to a device, or to a file as one with sectors of 512 bytes."""
    del sector_size  # sfdisk takes that of the device
    quiet = ("--quiet", "--no-reread", "--no-tell-kernel")
    machine.run(Command.of("sfdisk", *quiet, *_KEEP, target), stdin=text)


def _by_fdisk(target: Path, text: bytes, sector_size: int, machine: Runner) -> None:
    """Apply a script to a file as one with larger sectors, which only fdisk can be told.

    fdisk ends well whatever becomes of the script: what it wrote has to be read back.
    """
    with tempfile.NamedTemporaryFile(prefix="holdstill-table-") as script_file:
        script_file.write(text)
        script_file.flush()
        machine.run(
            Command.of("fdisk", *_KEEP, "--sector-size", str(sector_size), target),
            stdin=f"I\n{script_file.name}\nw\n".encode(),
        )


def unfinished(what: str) -> TargetFailedError:
    """Return the error for a target whose table is not whole."""
    return TargetFailedError(
        what, hint="do not use this card: its partition table is not valid; rebuild it again"
    )


def _array_bytes(disk: Disk) -> int:
    return align_up((disk.table_length or 128) * 128, disk.sector_size)


def moved_header(header: bytes, entries_lba: int) -> bytes:
    """Return a GPT header (UEFI Specification 5.3.2) whose entries are elsewhere."""
    moved = bytearray(header)
    struct.pack_into("<Q", moved, 72, entries_lba)
    (length,) = struct.unpack_from("<I", header, 12)
    struct.pack_into("<I", moved, 16, 0)
    struct.pack_into("<I", moved, 16, zlib.crc32(moved[:length]))
    return bytes(moved)


def script(disk: Disk, *, size: int = 0) -> str:
    """Return the sfdisk script that makes this table.

    The end of a GPT's usable range is left to sfdisk when the target's size, if given, is not
    the one in the layout.

    Raises:
        LayoutError: a value is none that a table can hold.
    """
    lines = [*_header(disk, size=size or disk.size), ""]
    lines += [_line(disk, partition) for partition in _own_lines(disk)]
    return "\n".join(lines) + "\n"


def _own_lines(disk: Disk) -> list[Partition]:
    """Return the partitions that sfdisk is to create: all but the logical ones."""
    if disk.label is TableLabel.GPT:
        return list(disk.partitions)
    for partition in logical_chain.logicals(disk):
        _checked(_DOS_TYPE, partition.type, what="type", of=partition)
    return [part for part in disk.partitions if part.number < logical_chain.FIRST_LOGICAL]


def _header(disk: Disk, *, size: int) -> Iterator[str]:
    form = _DOS_ID if disk.label is TableLabel.DOS else _GUID
    yield f"label: {disk.label.value}"
    yield f"label-id: {_checked(form, disk.id, what='disk id')}"
    yield "unit: sectors"
    yield f"sector-size: {disk.sector_size}"
    if disk.label is TableLabel.GPT:
        if disk.first_lba:
            yield f"first-lba: {disk.first_lba}"
        if disk.last_lba and size == disk.size:
            yield f"last-lba: {disk.last_lba}"
        if disk.table_length:
            yield f"table-length: {disk.table_length}"


def _line(disk: Disk, partition: Partition) -> str:
    fields = _dos_fields if disk.label is TableLabel.DOS else _gpt_fields
    place = [f"start={partition.start}", f"size={partition.size}"]
    return f"{partition.number} : " + ", ".join([*place, *fields(partition)])


def _dos_fields(partition: Partition) -> Iterator[str]:
    yield f"type={_checked(_DOS_TYPE, partition.type, what='type', of=partition)}"
    if partition.bootable:
        yield "bootable"


def _gpt_fields(partition: Partition) -> Iterator[str]:
    yield f"type={_checked(_GUID, partition.type, what='type', of=partition)}"
    yield f"uuid={_checked(_GUID, partition.uuid, what='GUID', of=partition)}"
    if partition.name:
        yield f'name="{_quoted(partition.name)}"'
    if partition.attrs:
        yield f'attrs="{_checked(_ATTRIBUTES, partition.attrs, what="attributes", of=partition)}"'


def _checked(form: re.Pattern[str], value: str, *, what: str, of: Partition | None = None) -> str:
    """Return a value that is safe in a script."""
    if form.fullmatch(value) is None:
        where = f"partition {of.number}" if of else "the partition table"
        raise LayoutError(f"{where} has {value!r} as its {what}, which no such table can hold")
    return value


def _quoted(name: str) -> str:
    r"""Write a name as sfdisk takes it: every byte that could mean something becomes \xHH."""
    if len(name.encode("utf-16-le")) > 2 * NAME_UNITS:
        raise LayoutError(f"a partition's name holds {NAME_UNITS} UTF-16 units: {name!r}")
    return "".join(chr(b) if b in _PLAIN else f"\\x{b:02x}" for b in name.encode())
