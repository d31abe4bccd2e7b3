"""What was encrypted is stored readably by the owner's word only, also where LVM is around it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from holdstill.board.layout import BoardDisk, BoardLayout, BoardPart
from holdstill.board.mounts import Mount
from holdstill.model.layout import Disk, Ext4, Luks, LvmPv, Other, Partition, TableLabel, Volume
from holdstill.model.manifest import Grade
from holdstill.model.paths import BoardPath
from holdstill.workflow import in_the_clear
from holdstill.workflow.capture_method import CaptureMethod, MethodChoice

if TYPE_CHECKING:
    from holdstill.model.layout import FileSystem

LUKS = Luks(version=2, uuid="l", cipher="aes-xts-plain64", key_bits=512, first_byte=16 << 20)
EXT4 = Ext4(uuid="e", block_size=4096, blocks=9, inode_size=256, inodes=9, features=())


def volume_of(group: str, uuid: str) -> LvmPv:
    return LvmPv(
        uuid=uuid, group=group, group_uuid=f"uuid of {group}", extent_size=4 << 20,
        first_extent=1 << 20, members=2,
    )  # fmt: skip


def part(number: int, kind: FileSystem) -> BoardPart:
    return BoardPart(
        number=number, device=Path(f"/dev/x{number}"), offset=0, size=1, file_system=kind
    )


def board(*, encrypted_group: str) -> BoardLayout:
    """Return a board with a plain physical volume (2), and one in a container (501, in 3).

    The logical volume (502) is noted below the plain one.
    """
    disk = Disk(
        size=1 << 30, label=TableLabel.DOS,
        partitions=tuple(Partition(number=n, start=n << 13, size=9, type="83") for n in (2, 3)),
        volumes=(
            Volume(number=501, of=3, start=0, size=8),
            Volume(number=502, of=2, name="root", group="harbour", start=0, size=8),
        ),
    )  # fmt: skip
    parts = (
        part(2, volume_of("harbour", "a")),
        part(3, LUKS),
        part(501, volume_of(encrypted_group, "b")),
        part(502, EXT4),
    )
    return BoardLayout((BoardDisk(Path("/dev/x"), disk),), parts)


@pytest.mark.parametrize(("group", "is_told"), [("harbour", True), ("other", False)])
def test_a_group_that_is_in_a_container_in_part_is_encrypted(group: str, *, is_told: bool) -> None:
    ways = {2: CaptureMethod.IDENTITY, 3: CaptureMethod.IDENTITY, 501: CaptureMethod.IDENTITY,
            502: CaptureMethod.FROZEN}  # fmt: skip
    chosen = {number: MethodChoice(way, Grade.POINT_IN_TIME, "") for number, way in ways.items()}

    told = in_the_clear.remark(board(encrypted_group=group), chosen)

    assert ("/dev/x3 is stored unencrypted" in told) is is_told


def on_one_partition(kind: FileSystem, *, mounted: bool) -> str:
    top = BoardPath(b"/")
    mount = Mount((179, 2), top, top, "rw", "x", "/dev/x2") if mounted else None
    disk = Disk(
        size=1 << 30, label=TableLabel.DOS,
        partitions=(Partition(number=2, start=1 << 13, size=9, type="83"),),
    )  # fmt: skip
    layout = BoardLayout(
        (BoardDisk(Path("/dev/x"), disk),), (replace(part(2, kind), mount=mount),)
    )
    chosen = {2: MethodChoice(CaptureMethod.FROZEN, Grade.POINT_IN_TIME, "")}
    return in_the_clear.remark(layout, chosen)


@pytest.mark.parametrize(
    ("kind", "is_told"),
    [
        (Other(type="f2fs", features=("encrypt",)), True),
        (Other(type="f2fs", features=("casefold",)), False),
        (structs.replace(EXT4, features=("encrypt",)), True),
        (EXT4, False),
    ],
)
def test_a_file_system_that_encrypts_folders_is_told_of_where_it_is_mounted(
    kind: FileSystem, *, is_told: bool
) -> None:
    assert bool(on_one_partition(kind, mounted=True)) is is_told
    assert not on_one_partition(kind, mounted=False)
