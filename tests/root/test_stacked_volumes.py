"""What lies in partitions, found by recorded metadata and by sysfs as a guest's kernel had it.

Loop devices stand where device-mapper's would be: not every kernel that runs tests has it.
"""

from __future__ import annotations

import os
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from holdstill.board import stacked_volumes
from holdstill.board.layout import BoardDisk, BoardLayout, BoardPart
from holdstill.disks import lvm_writer
from holdstill.errors import PreflightError
from holdstill.model import store_address
from holdstill.model.layout import (
    ArrayMember,
    Disk,
    Ext4,
    Luks,
    LvmPv,
    Partition,
    Raw,
    TableLabel,
)
from holdstill.model.manifest import Grade
from holdstill.model.paths import BoardPath
from holdstill.model.settings import BoardSettings, Encrypted
from holdstill.rebuild.steps import PlacedPhysical, PlacedVolume
from holdstill.workflow import capture_method, capture_refusals, in_the_clear
from holdstill.workflow.capture_method import CaptureMethod
from support import loop, programs
from support.recorded_arrays import MIRROR_10, MIRROR_12, STRIPE, Member
from support.recorded_layers import LUKS_2, LVM_HEAD, Recorded
from unit.rebuild.test_layers import IDS, PV
from unit.rebuild.test_planner import EXT4

if TYPE_CHECKING:
    from collections.abc import Iterator

MIB = 1 << 20
# As the guest's `cat /sys/block/dm-*/dm/uuid` had them.
GROUP = "LVM-lN8uhSmiwUTD83WqVqrZoAz6R6rLphMi"
ROOT, HOME, SPARE = (
    GROUP + one
    for one in (
        "4bwfculr0wuLQ75Fzg8cJq9wTN60ZzTv",
        "PQ4tEuRN4ug6eP3R0emwtdDgbnLAdAQy",
        "CqU7yQKUVYIF1Uvqzhs90Ujxbq9PRI5M",
    )
)
TWO = {2: PV.uuid, 3: "CqU7yQ-KUVY-IF1U-vqzh-s90U-jxbq-9PRI5M"}
"""Physical volumes of one group, by partition."""
CONTAINER = "CRYPT-LUKS2-09d51ea3634d4111acdd1ddb86de7e40-cryptdata"
SETTINGS = BoardSettings(board="pier-3", keeper=store_address.parse("ssh://keeper@boathouse"))


@dataclass
class Kernel:
    """A sysfs and a /dev with mappings, for which loop devices stand."""

    folder: Path
    undo: ExitStack
    count: int = 0

    @property
    def sys(self) -> Path:
        return self.folder / "sys"

    @property
    def dev(self) -> Path:
        return self.folder / "dev"

    def device(self, head: Recorded | None, size: int, *, name: str = "") -> Path:
        """Make a device with these first bytes, or an ext4."""
        image = self.folder / f"{name or self.count}.img"
        image.touch()
        os.truncate(image, size)
        if head:
            with image.open("r+b") as file:
                file.write(head.read(0, 16384))
        else:
            programs.run("mkfs.ext4", "-q", "-L", name, image)
        return self.undo.enter_context(loop.attached(image)).device

    def mapped(self, uuid: str, name: str, device: Path, *, holders: tuple[str, ...] = ()) -> str:
        """Have device-mapper show a device under a name."""
        own = f"dm-{self.count}"
        self.count += 1
        home = self.sys / "block" / own
        (home / "dm").mkdir(parents=True)
        (home / "dm/uuid").write_text(f"{uuid}\n")
        (home / "dm/name").write_text(f"{name}\n")
        size = int((Path("/sys/block") / device.name / "size").read_text())
        (home / "size").write_text(f"{size}\n")
        folder = self.sys / "class/block" / own / "holders"
        folder.mkdir(parents=True)
        for one in holders:
            (folder / one).touch()
        (self.dev / "mapper").mkdir(parents=True, exist_ok=True)
        (self.dev / "mapper" / name).symlink_to(device)
        return own

    def member(self, recorded: Member) -> Path:
        """Make a device with the superblock of a member of an array."""
        image = self.folder / f"member{self.count}.img"
        self.count += 1
        image.touch()
        os.truncate(image, recorded.size)
        with image.open("r+b") as file:
            file.seek(recorded.at)
            file.write(recorded.superblock)
        return self.undo.enter_context(loop.attached(image)).device

    def array(
        self, name: str, device: Path, version: str = "1.2", *, level: str = "raid1",
        holders: tuple[str, ...] = (),
    ) -> str:  # fmt: skip
        """Have md show a device as an array."""
        home = self.sys / "block" / name
        (home / "md").mkdir(parents=True)
        (home / "md/level").write_text(f"{level}\n")
        (home / "md/metadata_version").write_text(f"{version}\n")
        size = int((Path("/sys/block") / device.name / "size").read_text())
        (home / "size").write_text(f"{size}\n")
        folder = self.sys / "class/block" / name / "holders"
        folder.mkdir(parents=True)
        for one in holders:
            (folder / one).touch()
        self.dev.mkdir(exist_ok=True)
        (self.dev / name).symlink_to(device)
        return name


@pytest.fixture
def kernel(tmp_path: Path) -> Iterator[Kernel]:
    with ExitStack() as undo:
        (tmp_path / "sys/block").mkdir(parents=True)
        yield Kernel(tmp_path, undo)


def found(kernel: Kernel, device: Path, kind: str, holders: tuple[str, ...]) -> BoardLayout:
    partition = Partition(number=2, start=8192, size=409600, type="8e")
    disk = Disk(
        size=400 * MIB, label=TableLabel.DOS, id="0x9a3c5d2e", partitions=(partition,),
        device="/dev/mmcblk0",
    )  # fmt: skip
    part = BoardPart(2, device, 8192 * 512, 200 * MIB, Raw(type=kind), holders=holders)
    board = BoardLayout((BoardDisk(Path("/dev/mmcblk0"), disk),), (part,))
    return stacked_volumes.with_volumes(board, BoardPath(b"/"), (), sys=kernel.sys, dev=kernel.dev)


def group(kernel: Kernel, *, without: tuple[str, ...] = ()) -> BoardLayout:
    names = {"root": (ROOT, 68), "home": (HOME, 40), "spare": (SPARE, 20)}
    holders = tuple(
        kernel.mapped(uuid, f"boardvg-{name}", kernel.device(None, size * MIB, name=name))
        for name, (uuid, size) in names.items()
        if name not in without
    )
    return found(kernel, kernel.device(LVM_HEAD, 200 * MIB), "LVM2_member", holders)


def test_logical_volumes_are_parts_of_their_own(kernel: Kernel) -> None:
    board = group(kernel)
    around, *volumes = board.parts

    assert isinstance(around.file_system, LvmPv)
    assert around.file_system.group == "boardvg"
    assert [part.number for part in volumes] == [501, 502, 503]
    systems = [part.file_system for part in volumes]
    assert [s.label for s in systems if isinstance(s, Ext4)] == ["root", "home", "spare"]
    disk = board.disks[0].layout
    assert [v.size for v in disk.volumes] == [68 * 2048, 40 * 2048, 20 * 2048]
    # Where a rebuild puts them: in one piece each, one behind the other from the first extent on.
    assert [v.start for v in disk.volumes] == [
        8192 + 2048, 8192 + 2048 + 68 * 2048, 8192 + 2048 + 108 * 2048,
    ]  # fmt: skip
    assert disk.volumes[0].nodes == ("/dev/mapper/boardvg-root", "/dev/boardvg/root")
    assert board.disk_of(volumes[2]).layout is disk
    chosen = capture_method.choose(around, raw_limit=MIB, remount_read_only=True)
    assert chosen.method is CaptureMethod.IDENTITY


def test_a_group_on_two_partitions_has_each_volume_on_its_own(kernel: Kernel) -> None:
    names = {"root": (IDS[0], 68, 2), "home": (IDS[1], 40, 3)}
    members = tuple(
        PlacedPhysical(uuid=uuid, size=100 * MIB, first_extent=MIB) for uuid in TWO.values()
    )
    volumes = tuple(
        PlacedVolume(name=name, uuid=uuid, first=0, extents=size // 4, physical=TWO[number])
        for name, (uuid, size, number) in names.items()
    )
    partitions, parts = [], []
    for number, own in TWO.items():
        device = kernel.device(None, 100 * MIB, name=f"pv{number}")
        lvm_writer.write(
            device, offset=0, size=100 * MIB, parameters=structs.replace(PV, uuid=own),
            members=members, volumes=volumes,
        )  # fmt: skip
        one = Partition(number=number, start=number * 204800, size=204800, type="8e")
        ((name, (uuid, size, _)),) = [item for item in names.items() if item[1][2] == number]
        key = f"LVM-{PV.group_uuid}{uuid}".replace("-", "").replace("LVM", "LVM-")
        holder = kernel.mapped(key, f"board-{name}", kernel.device(None, size * MIB, name=name))
        raw = Raw(type="LVM2_member")
        parts.append(BoardPart(number, device, one.start * 512, 100 * MIB, raw, holders=(holder,)))
        partitions.append(one)
    disk = Disk(
        size=400 * MIB, label=TableLabel.DOS, id="0x9a3c5d2e", partitions=tuple(partitions),
        device="/dev/mmcblk0",
    )  # fmt: skip
    board = BoardLayout((BoardDisk(Path("/dev/mmcblk0"), disk),), tuple(parts))
    board = stacked_volumes.with_volumes(
        board, BoardPath(b"/"), (), sys=kernel.sys, dev=kernel.dev
    )

    assert [part.number for part in board.parts] == [2, 501, 3, 502]
    found = board.disks[0].layout.volumes
    assert [(one.name, one.of) for one in found] == [("root", 2), ("home", 3)]
    for number in TWO:
        around = board.part(number)
        assert isinstance(around.file_system, LvmPv)
        assert (around.file_system.members, around.file_system.spanning) == (2, ())
        chosen = capture_method.choose(around, raw_limit=1 << 40, remount_read_only=True)
        assert chosen.method is CaptureMethod.IDENTITY  # neither copied raw nor called still


def test_a_volume_that_is_not_active_is_refused_with_what_to_do(kernel: Kernel) -> None:
    board = group(kernel, without=("spare",))
    spare = board.part(503)

    chosen = capture_method.choose(spare, raw_limit=MIB, remount_read_only=True)
    assert chosen.method is CaptureMethod.REFUSED
    assert chosen.grade is Grade.LIVE
    assert "lvchange -ay boardvg/spare" in chosen.why
    assert "leave_out: [503]" in chosen.why


def test_a_group_that_is_not_active_is_copied_as_it_is(kernel: Kernel) -> None:
    board = found(kernel, kernel.device(LVM_HEAD, 200 * MIB), "LVM2_member", ())

    assert [part.file_system for part in board.parts] == [Raw(type="LVM2_member")]
    assert board.disks[0].layout.volumes == ()


def test_damaged_metadata_under_open_volumes_is_refused_and_never_copied(kernel: Kernel) -> None:
    broken = LVM_HEAD.changed(4096 + 30, b"\x99")
    board = found(kernel, kernel.device(broken, 200 * MIB), "LVM2_member", ("dm-0",))

    chosen = capture_method.choose(board.parts[0], raw_limit=1 << 40, remount_read_only=True)
    assert chosen.method is CaptureMethod.REFUSED
    assert "header of LVM's metadata is damaged" in chosen.why


def opened(kernel: Kernel) -> BoardLayout:
    inner = kernel.mapped(CONTAINER, "cryptdata", kernel.device(None, 64 * MIB, name="inner"))
    return found(kernel, kernel.device(LUKS_2, 80 * MIB), "crypto_LUKS", (inner,))


def test_the_inside_of_an_opened_container_is_a_part_of_its_own(kernel: Kernel) -> None:
    board = opened(kernel)
    around, inner = board.parts

    assert isinstance(around.file_system, Luks)
    assert isinstance(inner.file_system, Ext4)
    (volume,) = board.disks[0].layout.volumes
    assert (volume.number, volume.of, volume.name) == (501, 2, "cryptdata")
    assert (volume.start, volume.size) == (8192 + 32768, 64 * 2048)


def test_logical_volumes_in_a_container_are_found_through_it(kernel: Kernel) -> None:
    root = kernel.mapped(ROOT, "boardvg-root", kernel.device(None, 68 * MIB, name="root"))
    home = kernel.mapped(HOME, "boardvg-home", kernel.device(None, 40 * MIB, name="home"))
    inner = kernel.device(LVM_HEAD, 200 * MIB)
    crypt = kernel.mapped(CONTAINER, "cryptdata", inner, holders=(root, home))
    board = found(kernel, kernel.device(LUKS_2, 220 * MIB), "crypto_LUKS", (crypt,))

    kinds = [type(part.file_system).__name__ for part in board.parts]
    assert kinds == ["Luks", "LvmPv", "Ext4", "Ext4", "Raw"]
    assert [(v.number, v.of) for v in board.disks[0].layout.volumes] == [
        (501, 2), (502, 501), (503, 501), (504, 501),
    ]  # fmt: skip
    assert board.inside(2) == {2, 501, 502, 503, 504}
    assert board.inside(501) == {501, 502, 503, 504}


def test_a_container_in_use_by_something_else_is_refused(kernel: Kernel) -> None:
    other = kernel.mapped("mpath-1", "paths", kernel.device(None, 64 * MIB, name="inner"))
    board = found(kernel, kernel.device(LUKS_2, 80 * MIB), "crypto_LUKS", (other,))

    chosen = capture_method.choose(board.parts[0], raw_limit=1 << 40, remount_read_only=True)
    assert chosen.method is CaptureMethod.REFUSED
    assert "dm-0, which is not the opened container" in chosen.why


def test_nothing_that_is_encrypted_is_stored_without_the_owners_word(kernel: Kernel) -> None:
    board = opened(kernel)
    chosen = {
        part.number: capture_method.choose(part, raw_limit=MIB, remount_read_only=True)
        for part in board.parts
    }
    refused = [
        error
        for error in capture_refusals.of_board(SETTINGS, board, chosen, ())
        if "unencrypted" in str(error)
    ]
    agreed = structs.replace(SETTINGS, encrypted=Encrypted.STORE_IN_CLEAR)

    assert chosen[501].method is CaptureMethod.PRIVATE
    assert len(refused) == 1
    assert isinstance(refused[0], PreflightError)
    assert "encrypted: store-in-clear" in refused[0].hint
    assert "leave_out: [2]" in refused[0].hint
    assert not in_the_clear.refusal(agreed, board, chosen)
    # Said all the same, with every capture.
    assert "stored unencrypted at the keeper" in in_the_clear.remark(board, chosen)
    left = {**chosen, 501: replace(chosen[501], method=CaptureMethod.LEFT_OUT)}
    assert in_the_clear.remark(board, left) == ""


def members(kernel: Kernel, *parts: BoardPart, devices: tuple[str, ...] = ()) -> BoardLayout:
    """Return a board whose partitions are members of arrays, as the kernel says of them."""
    partitions = tuple(
        Partition(number=one.number, start=one.offset // 512, size=one.size // 512, type="fd")
        for one in parts
    )
    disk = Disk(
        size=900 * MIB, label=TableLabel.DOS, id="0x9a3c5d2e", partitions=partitions,
        device="/dev/mmcblk0",
    )  # fmt: skip
    further = tuple(
        BoardDisk(Path("/dev") / name, structs.replace(disk, partitions=(), device=f"/dev/{name}"))
        for name in devices
    )
    board = BoardLayout((BoardDisk(Path("/dev/mmcblk0"), disk), *further), parts)
    return stacked_volumes.with_volumes(board, BoardPath(b"/"), (), sys=kernel.sys, dev=kernel.dev)


def on(kernel: Kernel, number: int, recorded: Member, array: str) -> BoardPart:
    device = kernel.member(recorded)
    place = 4 * MIB + number * 200 * MIB
    return BoardPart(number, device, place, recorded.size, Raw(type="x"), holders=(array,))


@pytest.mark.parametrize(
    ("recorded", "version", "first", "behind"),
    [(MIRROR_12, "1.2", MIB, 0), (MIRROR_10, "1.0", 0, 24)],
)
def test_what_a_mirror_holds_is_a_part_of_the_first_of_its_members(
    recorded: Member, version: str, first: int, behind: int, kernel: Kernel
) -> None:
    array = kernel.array("md0", kernel.device(None, 90 * MIB, name="root"), version)
    board = members(kernel, *(on(kernel, number, recorded, array) for number in (2, 3)))

    around, inner, twin = board.parts
    assert isinstance(around.file_system, ArrayMember)
    assert around.file_system.version == version
    assert isinstance(inner.file_system, Ext4)
    assert inner.file_system.label == "root"
    assert inner.device == kernel.dev / "md0"
    (volume,) = board.disks[0].layout.volumes
    assert (volume.number, volume.of, volume.array) == (501, 2, "md0")
    assert (volume.start, volume.size) == ((around.offset + first) // 512, 90 * 2048)
    assert (volume.grain, volume.behind) == (8, behind)
    # Of 1.0 the bytes look like those of the file system that is in the array.
    assert (twin.file_system, twin.twin) == (
        Raw(type="linux_raid_member", size=recorded.size), 2,
    )  # fmt: skip
    chosen = capture_method.choose(around, raw_limit=1 << 40, remount_read_only=True)
    assert chosen.method is CaptureMethod.IDENTITY  # neither copied raw nor called still


def test_logical_volumes_on_a_mirror_are_found_through_it(kernel: Kernel) -> None:
    names = {"root": (ROOT, 68), "home": (HOME, 40), "spare": (SPARE, 20)}
    volumes = tuple(
        kernel.mapped(uuid, f"boardvg-{name}", kernel.device(None, size * MIB, name=name))
        for name, (uuid, size) in names.items()
    )
    array = kernel.array("md0", kernel.device(LVM_HEAD, 199 * MIB), holders=volumes)
    board = members(kernel, on(kernel, 2, MIRROR_12, array))

    kinds = [type(part.file_system).__name__ for part in board.parts]
    assert kinds == ["ArrayMember", "LvmPv", "Ext4", "Ext4", "Ext4"]
    assert [(v.number, v.of) for v in board.disks[0].layout.volumes] == [
        (501, 2), (502, 501), (503, 501), (504, 501),
    ]  # fmt: skip


@pytest.mark.parametrize("level", ["raid0", "raid5", "raid10", "linear"])
def test_other_levels_are_refused_with_what_to_do(level: str, kernel: Kernel) -> None:
    inner = kernel.device(None, 90 * MIB, name="fast")
    array = kernel.array("md2", inner, level=level)
    board = members(kernel, *(on(kernel, number, STRIPE, array) for number in (2, 3)))

    assert board.disks[0].layout.volumes == ()
    for part in board.parts:
        chosen = capture_method.choose(part, raw_limit=1 << 40, remount_read_only=True)
        assert chosen.method is CaptureMethod.REFUSED
        assert f"the array /dev/md2 ({level}, metadata 1.2)" in chosen.why
        assert "`disks: [auto, /dev/md2]`" in chosen.why
        assert f"leave_out: [{part.number}]" in chosen.why


def test_an_array_that_is_captured_as_a_disk_is_no_volume_as_well(kernel: Kernel) -> None:
    array = kernel.array("md0", kernel.device(None, 90 * MIB, name="root"))
    board = members(kernel, on(kernel, 2, MIRROR_12, array), devices=("md0",))

    (part,) = board.parts
    assert board.disks[0].layout.volumes == ()
    assert "is captured as a disk of its own" in part.obstacle
    left = structs.replace(SETTINGS, leave_out=(2,))
    assert capture_method.choose_all(board, left)[2].method is CaptureMethod.LEFT_OUT


def test_a_mirror_with_partitions_of_its_own_is_refused(kernel: Kernel) -> None:
    array = kernel.array("md0", kernel.device(None, 90 * MIB, name="root"))
    inside = kernel.sys / "block/md0/md0p1"
    inside.mkdir()
    (inside / "partition").write_text("1\n")

    (part,) = members(kernel, on(kernel, 2, MIRROR_12, array)).parts
    assert "has partitions of its own, which are not read" in part.obstacle


def test_a_damaged_member_gives_way_to_another_and_is_never_copied(kernel: Kernel) -> None:
    array = kernel.array("md0", kernel.device(None, 90 * MIB, name="root"))
    broken = MIRROR_12.changed(216, b"\0\0\0\0")
    board = members(kernel, on(kernel, 2, broken, array), on(kernel, 3, MIRROR_12, array))

    assert "no superblock" in board.part(2).obstacle
    assert isinstance(board.part(3).file_system, ArrayMember)
    assert [volume.of for volume in board.disks[0].layout.volumes] == [3]


@pytest.mark.parametrize(("recorded", "version"), [(MIRROR_12, "1.2"), (MIRROR_10, "1.0")])
def test_a_member_that_the_array_has_given_up_is_no_file_system_of_its_own(
    recorded: Member, version: str, kernel: Kernel
) -> None:
    array = kernel.array("md0", kernel.device(None, 90 * MIB, name="root"), version)
    running = on(kernel, 2, recorded, array)
    stale = BoardPart(3, kernel.member(recorded), 404 * MIB, recorded.size, EXT4)
    alone = BoardPart(4, kernel.member(STRIPE), 604 * MIB, STRIPE.size, Raw(type="x"))

    board = members(kernel, running, stale, alone)

    assert (board.part(3).file_system, board.part(3).twin) == (
        Raw(type="linux_raid_member", size=recorded.size), 2,
    )  # fmt: skip
    assert board.part(4) == alone
