"""What a block device holds, as far as its table and signatures show."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.disks import partition_table
from holdstill.errors import CommandError, LayoutError, TargetRefusedError
from holdstill.model.sizes import human
from holdstill.system import byte_source
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.layout import Partition
    from holdstill.system.process import Runner


MEMBERS = frozenset(
    {"LVM2_member", "linux_raid_member", "crypto_LUKS", "zfs_member", "ddf_raid_member",
     "isw_raid_member", "bcache", "drbd", "VMFS_volume_member"}
)  # fmt: skip
"""What blkid calls parts of something larger, whose other parts we would orphan."""


def describe_contents(path: Path, size: int, machine: Runner) -> tuple[list[str], list[str]]:
    """Return what is on a device, and which of it is part of something larger."""
    holds: list[str] = []
    members: list[str] = []
    for name, start, length in _ranges(path, size):
        # Let blkid probe a part of a device.
        place = ("--offset", str(start), "--size", str(length))
        command = Command.of(
            "blkid", "--probe", *place, "--output", "export", path, accepted=(0, 2, 8)
        )
        try:
            output = machine.run(command).decode(errors="replace")
        except CommandError as error:
            raise TargetRefusedError(f"cannot find out what {path} holds: {error}") from error
        known = dict(line.split("=", 1) for line in output.splitlines() if "=" in line)
        kind = known.get("TYPE") or known.get("PTTYPE", "")
        if kind in MEMBERS:
            members.append(f"{name} is a {kind}")
        if kind:
            label = known.get("LABEL", "")
            holds.append(f"{name}: {kind}{f' {label!r}' if label else ''}, {human(length)}")
    return holds, members


def _ranges(path: Path, size: int) -> Iterator[tuple[str, int, int]]:
    yield "the whole disk", 0, size
    for partition in _table_of(path):
        yield f"partition {partition.number}", partition.start * 512, partition.size * 512


def _table_of(path: Path) -> tuple[Partition, ...]:
    try:
        with byte_source.opened(path) as device:
            return partition_table.read(device).partitions
    except LayoutError:
        return ()
    except OSError as error:
        raise TargetRefusedError(
            f"cannot read {path}: {error.strerror}", hint="run it as root, or as group disk"
        ) from error
