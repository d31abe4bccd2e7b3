from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from holdstill.board import layout
from holdstill.board.layout import BoardDisk, BoardLayout, BoardPart
from holdstill.board.mounts import Mount
from holdstill.errors import PreflightError
from holdstill.model import store_address
from holdstill.model.layout import (
    Container,
    Disk,
    Ext4,
    Fat,
    FileSystem,
    Other,
    Raw,
    Swap,
    TableLabel,
)
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
        (part(EXT4, size=2 << 20), CaptureMethod.PRIVATE, Grade.READ_ONLY),
        (part(Other(type="btrfs"), size=2 << 20), CaptureMethod.PRIVATE, Grade.READ_ONLY),
        (part(Raw(type="squashfs"), size=2 << 20), CaptureMethod.RAW, Grade.READ_ONLY),
        (
            part(Raw(type="erofs"), size=2 << 20, mounted="erofs", options="ro"),
            CaptureMethod.RAW,
            Grade.READ_ONLY,
        ),
        (part(Raw()), CaptureMethod.RAW, Grade.READ_ONLY),
        (part(Raw(), size=2 << 20), CaptureMethod.REFUSED, Grade.LIVE),
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


@pytest.mark.parametrize(("is_covered", "is_bound"), [(True, False), (False, True)])
def test_a_fat_that_mount_could_not_give_back_is_copied_until_it_settles(
    *, is_covered: bool, is_bound: bool
) -> None:
    fat = part(FAT, mounted="vfat", options="rw")
    assert fat.mount is not None
    mount = replace(fat.mount, is_covered=is_covered, is_bound_read_only=is_bound)
    marked = replace(fat, mount=mount)

    chosen = capture_method.choose(marked, raw_limit=SETTINGS.raw_limit, remount_read_only=True)

    assert (chosen.method, chosen.grade) == (CaptureMethod.SETTLED, Grade.SETTLED)


def test_what_is_covered_and_cannot_be_opened_is_copied_while_it_changes() -> None:
    chosen = capture_method.choose(
        part(EXT4, mounted="ext4"),
        raw_limit=1,
        remount_read_only=True,
        obstacle="too old a kernel",
    )

    assert (chosen.method, chosen.grade) == (CaptureMethod.RAW, Grade.LIVE)
    assert "too old a kernel" in chosen.why


def test_what_cannot_be_mounted_privately_is_copied_as_it_is_whatever_its_size() -> None:
    slot = part(EXT4, size=1 << 30)

    chosen = capture_method.choose(
        slot, raw_limit=1 << 20, remount_read_only=True, obstacle="its journal is needed"
    )

    assert (chosen.method, chosen.grade) == (CaptureMethod.RAW, Grade.READ_ONLY)
    assert "its journal is needed" in chosen.why


def test_what_is_too_large_names_both_ways_out() -> None:
    chosen = capture_method.choose(
        part(Raw(type="crypto_LUKS"), size=1 << 30), raw_limit=1 << 20, remount_read_only=True
    )

    assert "raw_limit" in chosen.why
    assert "leave_out: [2]" in chosen.why
    assert "crypto_LUKS" in chosen.why


def board(*parts: BoardPart) -> BoardLayout:
    disk = Disk(size=1 << 30, label=TableLabel.DOS, id="0x1")
    return BoardLayout((BoardDisk(Path("/dev/mmcblk0"), disk),), parts)


def test_a_partition_is_left_out_only_if_the_settings_name_it() -> None:
    settings = msgspec.structs.replace(SETTINGS, leave_out=(2,))

    chosen = capture_method.choose_all(board(part(Raw(), size=1 << 30)), settings)

    assert chosen[2].method is CaptureMethod.LEFT_OUT


@pytest.mark.parametrize(
    ("what", "number", "said"),
    [
        (part(EXT4, mounted="ext4"), 7, "no partition 7"),
        (part(Container()), 2, "no partition 2 with contents"),
        (replace(part(EXT4, mounted="ext4"), place="/"), 2, "root file system"),
    ],
)
def test_what_cannot_be_left_out_is_refused(what: BoardPart, number: int, said: str) -> None:
    settings = msgspec.structs.replace(SETTINGS, leave_out=(number,))

    with pytest.raises(PreflightError, match=said):
        capture_method.choose_all(board(what), settings)


def test_what_could_not_be_rebuilt_is_refused_while_it_is_mounted_and_copied_else() -> None:
    clustered = msgspec.structs.replace(EXT4, features=("extent", "bigalloc"))

    mounted = capture_method.choose(
        part(clustered, mounted="ext4"), raw_limit=1 << 30, remount_read_only=True
    )
    spare = capture_method.choose(
        part(clustered, size=1 << 30), raw_limit=1, remount_read_only=True
    )

    assert mounted.method is CaptureMethod.REFUSED
    assert "bigalloc" in mounted.why
    assert "leave_out: [2]" in mounted.why
    assert (spare.method, spare.grade) == (CaptureMethod.RAW, Grade.READ_ONLY)


def test_another_member_of_a_captured_mirror_is_left_out_and_said() -> None:
    member = replace(part(Raw(type="linux_raid_member"), holders=("md0",)), twin=3)
    (chosen,) = capture_method.choose_all(board(member), SETTINGS).values()
    assert chosen.method is CaptureMethod.LEFT_OUT
    assert "of the same mirror as partition 3" in chosen.why
    assert "comes back empty" in chosen.why


def test_a_member_of_a_running_array_is_never_copied_nor_called_still() -> None:
    member = part(Raw(type="linux_raid_member"), holders=("md0",))
    stopped = part(Raw(type="linux_raid_member"))

    ways = [
        capture_method.choose(one, raw_limit=1 << 40, remount_read_only=True)
        for one in (member, stopped)
    ]
    assert [way.method for way in ways] == [CaptureMethod.REFUSED, CaptureMethod.RAW]
    assert ways[0].grade is Grade.LIVE
    assert "leave_out: [2]" in ways[0].why
    assert "disks: [auto, /dev/md0]" in ways[0].why
