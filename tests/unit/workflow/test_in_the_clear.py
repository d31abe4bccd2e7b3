"""What was encrypted is stored readably by the owner's word only, also where LVM is around it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board.layout import BoardDisk, BoardLayout, BoardPart
from holdstill.model.layout import Disk, Ext4, Luks, LvmPv, Partition, TableLabel, Volume
from holdstill.model.manifest import Grade
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
