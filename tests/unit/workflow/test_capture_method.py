from pathlib import Path

import pytest

from holdstill.board import layout
from holdstill.board.layout import BoardPart
from holdstill.board.mounts import Mount
from holdstill.model import store_address
from holdstill.model.layout import Container, Ext4, Fat, FileSystem, Other, Raw, Swap
from holdstill.model.manifest import Grade
from holdstill.model.paths import BoardPath
from holdstill.model.settings import BoardSettings
from holdstill.model.sizes import ByteSize
from holdstill.workflow import capture_method
from holdstill.workflow.capture_method import CaptureMethod

EXT4 = Ext4(uuid="u", block_size=4096, blocks=1, inode_size=256, inodes=1, features=())
FAT = Fat(bits=32, volume_id=1, sectors_per_cluster=1, reserved_sectors=32, sectors=1, clusters=1)
SETTINGS = BoardSettings(
    board="pier-3", keeper=store_address.parse("/srv/holdstill"), raw_limit=ByteSize.parse("1M")
)


def part(
    kind: FileSystem,
    *,
    mounted: str = "",
    options: str = "rw",
    size: int = 1 << 20,
    holders: tuple[str, ...] = (),
) -> BoardPart:
    mount = (
        Mount((179, 2), BoardPath(b"/"), BoardPath(b"/x"), options, mounted, "/dev/mmcblk0p2")
        if mounted
        else None
    )
    return BoardPart(2, Path("/dev/mmcblk0p2"), 0, size, kind, mount, holders=holders)


@pytest.mark.parametrize(
    ("what", "way", "grade"),
    [
        (part(EXT4, mounted="ext4"), CaptureMethod.FROZEN, Grade.POINT_IN_TIME),
        (part(EXT4, mounted="ext4", options="ro"), CaptureMethod.READ_ONLY, Grade.READ_ONLY),
        (part(Other(type="xfs"), mounted="xfs"), CaptureMethod.FROZEN, Grade.POINT_IN_TIME),
        (part(EXT4, mounted=layout.PLAIN_DIRECTORY), CaptureMethod.LIVE, Grade.LIVE),
        (part(FAT, mounted="vfat"), CaptureMethod.REMOUNTED, Grade.READ_ONLY),
        (part(FAT, mounted="vfat", options="ro"), CaptureMethod.READ_ONLY, Grade.READ_ONLY),
        (part(FAT), CaptureMethod.UNMOUNTED, Grade.READ_ONLY),
        (part(EXT4), CaptureMethod.RAW, Grade.READ_ONLY),
        (part(EXT4, size=2 << 20), CaptureMethod.TOO_LARGE, Grade.LIVE),
        (part(Raw(), mounted="ntfs"), CaptureMethod.RAW, Grade.LIVE),
        (part(Raw(type="crypto_LUKS")), CaptureMethod.RAW, Grade.READ_ONLY),
        (part(Raw(type="crypto_LUKS"), holders=("dm-0",)), CaptureMethod.RAW, Grade.LIVE),
        (part(EXT4, holders=("dm-0",)), CaptureMethod.RAW, Grade.LIVE),
        (part(Swap(uuid="u")), CaptureMethod.IDENTITY, Grade.READ_ONLY),
        (part(Container()), CaptureMethod.NOTHING, Grade.READ_ONLY),
    ],
)
def test_each_kind_of_partition_has_its_way(
    what: BoardPart, way: CaptureMethod, grade: Grade
) -> None:
    chosen = capture_method.choose(what, raw_limit=SETTINGS.raw_limit, remount_read_only=True)

    assert (chosen.method, chosen.grade) == (way, grade)
    assert chosen.why


def test_a_fat_that_must_not_be_remounted_is_copied_until_it_settles() -> None:
    fat = part(FAT, mounted="vfat")

    chosen = capture_method.choose(fat, raw_limit=SETTINGS.raw_limit, remount_read_only=False)

    assert chosen.method is CaptureMethod.SETTLED
    assert chosen.grade is Grade.SETTLED
