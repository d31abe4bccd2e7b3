"""A capture of several disks as that of one: one of them, or all of them put onto one."""

from __future__ import annotations

from typing import Literal

import msgspec
import pytest

from holdstill.errors import TargetRefusedError, UsageError
from holdstill.model.layout import Container, Disk, Fat, Need, Other, Partition, Raw, TableLabel
from holdstill.model.manifest import (
    Attachment,
    CapturedPart,
    FurtherDisk,
    Grade,
    Manifest,
    RootFile,
    SwapFile,
)
from holdstill.rebuild import disk_choice, planner
from support import captured

MIB = 1 << 20
LINUX = "0FC63DAF-8483-4772-8E79-3D69D8477DE4"
change = msgspec.structs.replace
FAT = Fat(
    bits=32, volume_id=0xA40D85E7, sectors_per_cluster=1, reserved_sectors=32, sectors=131072,
    clusters=130000,
)  # fmt: skip
CARD = Disk(
    size=128 * MIB, label=TableLabel.DOS, id="0x9a3c5d2e", device="/dev/mmcblk0",
    partitions=(Partition(number=1, start=8192, size=131072, type="c", bootable=True),),
)  # fmt: skip
USB = Disk(
    size=512 * MIB, label=TableLabel.DOS, id="0x11223344", device="/dev/sda",
    partitions=(
        Partition(number=1, start=2048, size=65536, type="82"),
        Partition(number=2, start=67584, size=900000, type="83"),
    ),
)  # fmt: skip
GPT_CARD = Disk(
    size=128 * MIB, label=TableLabel.GPT, id="3B5D4E3A-0A8B-4E39-8DF5-5C1F0B7C8A11",
    first_lba=2048, last_lba=262110, table_length=128, device="/dev/nvme0n1",
    partitions=(
        Partition(number=1, start=2048, size=131072, type=LINUX, name="boot",
                  uuid="7B3F6A57-6AF5-4E0E-9D8F-0E6E2B1C9D01"),
    ),
)  # fmt: skip
GAP = Attachment(name="gap.bin", sha256="a" * 64, size=512)
GAP_2 = Attachment(name="gap-2.bin", sha256="b" * 64, size=512)
BOOT0 = Attachment(name="boot0.bin", sha256="d" * 64, size=4 * MIB)
BOOT1_2 = Attachment(name="boot1-2.bin", sha256="e" * 64, size=4 * MIB)


def of(first: Disk, second: Disk, *kinds: CapturedPart) -> Manifest:
    """Return a capture of two disks."""
    return change(
        captured.pier_3(),
        disk=first, gap=GAP, boot_areas=(BOOT0,), parts=kinds,
        further_disks=(
            FurtherDisk(disk=second.as_further(2), gap=GAP_2, boot_areas=(BOOT1_2,)),
        ),
        raws=(Attachment(name="raw-1001.bin", sha256="c" * 64, size=65536 * 512),),
        swap_files=(SwapFile(partition=1002, path="swapfile", size=4096),),
    )  # fmt: skip


def part(number: int, kind: object, mount: str = "") -> CapturedPart:
    return CapturedPart(number=number, grade=Grade.READ_ONLY, file_system=kind, mount=mount)  # type: ignore[arg-type]


BOOT, SWAP, ROOT = (
    part(1, FAT, "/boot/firmware"),
    part(1001, Raw(digest="c" * 64, size=65536 * 512)),
    part(1002, Other(type="xfs", uuid="u"), "/"),
)
TWO = of(CARD, USB, BOOT, SWAP, ROOT)


def test_each_disk_alone_has_its_own_and_nothing_else() -> None:
    one, two = disk_choice.only(TWO, 1), disk_choice.only(TWO, 2)

    assert (one.disk, one.parts, one.gap) == (CARD, (BOOT,), GAP)
    assert (one.raws, one.swap_files, one.further_disks) == ((), (), ())
    assert (two.disk, two.parts, two.gap) == (USB.as_further(2), (SWAP, ROOT), GAP_2)
    assert (one.boot_areas, two.boot_areas) == ((BOOT0,), (BOOT1_2,))
    assert [raw.name for raw in two.raws] == ["raw-1001.bin"]
    assert [file.partition for file in two.swap_files] == [1002]
    assert two.disks == (two.disk,)
    in_file = change(TWO, root_file=RootFile(partition=ROOT.number, path="/root.img"))
    assert disk_choice.only(in_file, 1).root_file is None
    assert disk_choice.only(in_file, 2).root_file == in_file.root_file


@pytest.mark.parametrize(("place", "said"), [(None, "2 disks"), (0, "disk 0"), (3, "disk 3")])
def test_of_several_disks_one_has_to_be_named(place: int | None, said: str) -> None:
    with pytest.raises(UsageError, match=said) as caught:
        disk_choice.check(TWO, place)

    told = f"{caught.value} {caught.value.hint}"
    assert "disk 1 (128.0 MiB, /dev/mmcblk0, with /boot/firmware)" in told
    assert "disk 2 (512.0 MiB, /dev/sda, with /)" in told
    disk_choice.check(disk_choice.only(TWO, 1), None)
    disk_choice.check(TWO, 2)
    disk_choice.check(TWO, "all")


def test_all_on_one_stand_behind_those_of_the_first_disk() -> None:
    made = disk_choice.merged(TWO)

    disk = made.manifest.disk
    assert [(p.number, p.in_table, p.type) for p in disk.partitions] == [
        (1, 1, "c"), (1001, 2, "82"), (1002, 3, "83"),
    ]  # fmt: skip
    assert disk.partitions[0] == CARD.partitions[0]
    assert [p.size for p in disk.partitions[1:]] == [p.size for p in USB.partitions]
    places = [(p.start, p.end) for p in disk.partitions]
    assert places == sorted(places)
    assert all(start * 512 % (4 * MIB) == 0 for start, _ in places)
    assert places[-1][1] * 512 <= disk.size
    assert (made.manifest.gap, made.manifest.further_disks) == (GAP, ())
    assert [p.number for p in disk.by_slot().partitions] == [1, 2, 3]
    assert any("disk 2" in note and "firmware" in note for note in made.notes)
    assert made.manifest.boot_areas == (BOOT0,)
    assert "boot1 of disk 2, an area of its own, is left out" in made.notes


def test_all_on_one_have_partuuids_of_the_first_disk() -> None:
    """An MBR has its disk's signature and the slot as a PARTUUID (Linux block/partitions)."""
    made = disk_choice.merged(TWO)

    assert made.ids == {"11223344-01": "9a3c5d2e-02", "11223344-02": "9a3c5d2e-03"}
    assert made.devices == {
        "/dev/sda1": "PARTUUID=9a3c5d2e-02",
        "/dev/sda2": "PARTUUID=9a3c5d2e-03",
    }


def test_a_gpt_takes_partitions_with_their_own_guids() -> None:
    second = change(GPT_CARD, id="A8C2E2F0-51D8-4E0F-9A0C-2F0B8B8C7D22", partitions=(
        change(GPT_CARD.partitions[0], uuid="0D2C7F55-8E41-4C53-9F8F-5D1E7A9B3C44", name="root"),
    ))  # fmt: skip
    made = disk_choice.merged(of(GPT_CARD, second, BOOT, part(1001, ROOT.file_system)))

    assert made.ids == {}
    assert made.manifest.disk.partitions[1].uuid == "0D2C7F55-8E41-4C53-9F8F-5D1E7A9B3C44"
    assert made.manifest.disk.partitions[1].name == "root"
    assert made.manifest.disk.last_lba == made.manifest.disk.size // 512 - 34


def test_partitions_of_an_mbr_get_guids_in_a_gpt_and_the_same_ones_each_time() -> None:
    made = disk_choice.merged(of(GPT_CARD, USB, BOOT, SWAP, ROOT))
    again = disk_choice.merged(of(GPT_CARD, USB, BOOT, SWAP, ROOT))

    guids = [partition.uuid for partition in made.manifest.disk.partitions]
    assert len(set(guids)) == 3
    assert guids == [partition.uuid for partition in again.manifest.disk.partitions]
    assert made.ids == {"11223344-01": guids[1].lower(), "11223344-02": guids[2].lower()}
    types = [partition.type for partition in made.manifest.disk.partitions[1:]]
    assert types == ["0657FD6D-A4AB-43C4-84E5-0933C84B4F4F", LINUX]


def test_containers_of_further_disks_are_not_needed_on_one() -> None:
    extended = change(USB, partitions=(
        Partition(number=1, start=2048, size=900000, type="5"),
        Partition(number=5, start=4096, size=800000, type="83"),
    ))  # fmt: skip
    made = disk_choice.merged(
        of(CARD, extended, BOOT, part(1001, Container()), part(1005, ROOT.file_system))
    )

    assert [p.number for p in made.manifest.disk.partitions] == [1, 1005]
    assert [p.number for p in made.manifest.parts] == [1, 1005]


def test_an_mbr_has_four_places() -> None:
    five = change(USB, partitions=tuple(
        Partition(number=n, start=n * 9000, size=8000, type="83") for n in (1, 2, 3, 4)
    ))  # fmt: skip

    with pytest.raises(TargetRefusedError, match="room for 3 more partitions, and there are 4"):
        disk_choice.merged(of(CARD, five, BOOT))


def test_disks_that_cannot_become_one_are_refused() -> None:
    whole = change(CARD, label=TableLabel.NONE, id="")
    large = change(USB, sector_size=4096)

    with pytest.raises(TargetRefusedError, match="no partition table"):
        disk_choice.merged(of(whole, USB, BOOT, SWAP, ROOT))
    with pytest.raises(TargetRefusedError, match="512 and 4096"):
        disk_choice.merged(of(CARD, large, BOOT, SWAP, ROOT))


def test_a_copy_of_a_disk_cannot_be_put_beside_it() -> None:
    with pytest.raises(TargetRefusedError, match="PARTUUID=9a3c5d2e-01, for one disk is a copy"):
        disk_choice.merged(of(CARD, change(USB, id=CARD.id), BOOT, SWAP, ROOT))


def test_names_that_an_mbr_cannot_keep_become_partuuids() -> None:
    named = change(GPT_CARD, partitions=(change(GPT_CARD.partitions[0], name="root"),))
    made = disk_choice.merged(of(CARD, named, BOOT, part(1001, ROOT.file_system)))

    assert made.devices["PARTLABEL=root"] == "PARTUUID=9a3c5d2e-02"
    assert made.devices["/dev/disk/by-partlabel/root"] == "/dev/disk/by-partuuid/9a3c5d2e-02"


def test_a_first_disk_with_an_empty_table() -> None:
    made = disk_choice.merged(of(change(CARD, partitions=()), USB, SWAP, ROOT))

    assert made.manifest.disk.partitions[0].start * 512 == 4 * MIB


# UEFI Specification 2.10, 5.3.2: no partition before FirstUsableLBA.
@pytest.mark.parametrize(("first_lba", "start"), [(0, 8192), (34, 8192), (8193, 16384)])
def test_what_is_put_onto_an_empty_table_begins_where_partitions_may(
    first_lba: int, start: int
) -> None:
    empty = change(GPT_CARD, partitions=(), first_lba=first_lba)

    made = disk_choice.merged(of(empty, USB, SWAP, ROOT))

    first, second = made.manifest.disk.partitions
    assert (first.start, first.slot, second.slot) == (start, 1, 2)
    assert second.start == start + 65536


# UEFI Specification 2.10, 5.3.3; UAPI.2 Discoverable Partitions Specification; util-linux,
# include/pt-mbr-partnames.h and pt-gpt-partnames.h: Linux, swap, LVM, RAID, FAT and EFI system.
KINDS = {
    "83": LINUX,
    "82": "0657FD6D-A4AB-43C4-84E5-0933C84B4F4F",
    "8e": "E6D6D379-F507-44C2-A23C-238F2A3DF928",
    "fd": "A19D880F-05FC-4D3B-A006-743F0F84911E",
    "c": "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7",
    "ef": "C12A7328-F81F-11D2-BA4B-00A0C93EC93B",
}
OLDER = dict.fromkeys(("b", "e", "6"), KINDS["c"])


def kind_on(first: Disk, label: TableLabel, kind: str) -> str:
    """Return the type that a partition of the second disk gets in the first one's table."""
    moved = change(USB, label=label, partitions=(change(USB.partitions[1], type=kind),))
    made = disk_choice.merged(of(first, moved, BOOT, part(1002, ROOT.file_system)))
    return made.manifest.disk.partitions[-1].type


@pytest.mark.parametrize(
    ("kind", "guid"), [*KINDS.items(), *OLDER.items(), ("8E", KINDS["8e"]), ("da", LINUX)]
)
def test_what_a_partition_is_for_is_said_in_the_words_of_a_gpt(kind: str, guid: str) -> None:
    assert kind_on(GPT_CARD, TableLabel.DOS, kind) == guid


@pytest.mark.parametrize(
    ("guid", "kind"),
    [
        *((guid, kind) for kind, guid in KINDS.items()),
        (KINDS["82"].lower(), "82"),
        ("21686148-6449-6E6F-744E-656564454649", "83"),
    ],
)
def test_what_a_partition_is_for_is_said_in_the_words_of_an_mbr(guid: str, kind: str) -> None:
    assert kind_on(CARD, TableLabel.GPT, guid) == kind


@pytest.mark.parametrize(("first", "kind"), [(CARD, "da"), (GPT_CARD, "AB" * 16)])
def test_a_type_stays_in_a_table_of_the_same_kind(first: Disk, kind: str) -> None:
    assert kind_on(first, first.label, kind) == kind


def test_disks_that_are_one_file_system_each_have_no_partuuid_to_change() -> None:
    bare = Disk(
        size=64 * MIB, label=TableLabel.NONE, device="/dev/sda",
        partitions=(Partition(number=1, start=0, size=131072, type=""),),
    )  # fmt: skip
    card = of(CARD, bare, BOOT, part(1001, ROOT.file_system), part(2001, ROOT.file_system))
    third = FurtherDisk(disk=change(bare, device="/dev/sdb").as_further(3))

    made = disk_choice.merged(change(card, further_disks=(*card.further_disks, third)))

    assert made.ids == {}
    assert [p.number for p in made.manifest.disk.partitions] == [1, 1001, 2001]
    assert [p.type for p in made.manifest.disk.partitions[1:]] == ["83", "83"]


def test_containers_of_the_first_disk_stay_with_what_is_in_them() -> None:
    extended = change(CARD, size=512 * MIB, partitions=(
        CARD.partitions[0],
        Partition(number=2, start=139264, size=200000, type="5"),
        Partition(number=5, start=141312, size=190000, type="83"),
    ))  # fmt: skip

    made = disk_choice.merged(
        of(extended, USB, BOOT, part(2, Container()), part(5, ROOT.file_system), SWAP, ROOT)
    )

    assert [p.number for p in made.manifest.parts] == [1, 2, 5, 1001, 1002]
    assert [p.in_table for p in made.manifest.disk.partitions] == [1, 2, 5, 3, 4]


# UEFI Specification 2.10, 5.3.2: the header says how many entries the table has.
@pytest.mark.parametrize(("entries", "fits"), [(3, True), (2, False), (0, True)])
def test_a_gpt_has_as_many_places_as_its_header_says(entries: int, *, fits: bool) -> None:
    two = of(change(GPT_CARD, table_length=entries), USB, BOOT, SWAP, ROOT)

    if fits:
        slots = [p.in_table for p in disk_choice.merged(two).manifest.disk.partitions]
        assert slots == [1, 2, 3]
    else:
        with pytest.raises(
            TargetRefusedError, match="room for 1 more partitions, and there are 2"
        ):
            disk_choice.merged(two)


def test_a_gpt_without_a_length_has_128_places() -> None:
    last = change(GPT_CARD.partitions[0], slot=126)
    two = of(change(GPT_CARD, table_length=0, partitions=(last,)), USB, BOOT, SWAP, ROOT)

    made = disk_choice.merged(two)

    assert [p.in_table for p in made.manifest.disk.partitions] == [126, 127, 128]


def test_free_places_before_those_that_are_taken_count_in_an_mbr() -> None:
    second = change(CARD.partitions[0], slot=2)

    made = disk_choice.merged(of(change(CARD, partitions=(second,)), USB, BOOT, SWAP, ROOT))

    assert [p.in_table for p in made.manifest.disk.partitions] == [2, 1, 3]


def test_attributes_are_those_of_a_gpt_and_of_no_other_table() -> None:
    marked = change(GPT_CARD.partitions[0], attrs="GUID:59", uuid="0D2C7F55-8E41-4C53-9F8F-AA")
    second = change(GPT_CARD, id="A8C2E2F0", partitions=(marked,))
    from_gpt = disk_choice.merged(of(GPT_CARD, second, BOOT, part(1001, ROOT.file_system)))
    from_mbr = disk_choice.merged(of(GPT_CARD, USB, BOOT, SWAP, ROOT))

    assert from_gpt.manifest.disk.partitions[1].attrs == "GUID:59"
    assert [p.attrs for p in from_mbr.manifest.disk.partitions[1:]] == ["", ""]


# The backup of a GPT takes 33 sectors: UEFI Specification 2.10, 5.3.2 (128 entries of 128 bytes).
@pytest.mark.parametrize(("first", "trailer"), [(CARD, 0), (GPT_CARD, 33)])
def test_one_disk_is_as_large_as_it_has_to_be_and_none_that_exists(
    first: Disk, trailer: int
) -> None:
    odd = change(USB, partitions=(change(USB.partitions[1], size=900_001),))
    whole = 2048 * 300 - trailer
    even = change(USB, partitions=(change(USB.partitions[1], size=whole - 139264),))
    named = change(first, model="SC16G", serial="0x3ab2c4d5")
    sizes = []
    for second in (odd, even):
        disk = disk_choice.merged(of(named, second, BOOT, part(1002, ROOT.file_system)))
        sizes.append(disk.manifest.disk)

    assert [disk.partitions[-1].start for disk in sizes] == [139264, 139264]
    assert sizes[0].size == -(-(139264 + 900_001 + trailer) // 2048) * MIB
    assert sizes[1].size == 300 * MIB
    assert [disk.last_lba for disk in sizes] == [
        disk.size // 512 - 34 if trailer else 0 for disk in sizes
    ]
    assert {(disk.model, disk.serial) for disk in sizes} == {("", "")}
    large = disk_choice.merged(of(change(first, size=4096 * MIB), odd, BOOT, ROOT))
    assert large.manifest.disk.size == 4096 * MIB


def test_what_was_moved_and_what_was_left_out_is_told() -> None:
    moved, gap, area = disk_choice.merged(TWO).notes
    without = change(TWO, further_disks=(change(TWO.further_disks[0], gap=None, boot_areas=()),))

    assert moved.startswith("partitions 1001, 1002 of disk 2 are put behind those of disk 1: ")
    assert gap == "what was before the first partition of disk 2 is left out"
    assert area == "boot1 of disk 2, an area of its own, is left out"
    assert disk_choice.merged(without).notes == (moved,)


def test_disks_are_described_by_size_name_and_what_they_are_mounted_at() -> None:
    first, second = disk_choice.described(TWO)
    bare = change(TWO, parts=(SWAP,))

    assert first.startswith("disk 1 (128.0 MiB, /dev/mmcblk0")
    assert "with " in first
    assert "with " in second
    assert list(disk_choice.described(bare)) == [
        "disk 1 (128.0 MiB, /dev/mmcblk0)", "disk 2 (512.0 MiB, /dev/sda)",
    ]  # fmt: skip


@pytest.mark.parametrize("place", [1, 2, "all"])
def test_each_disk_and_all_of_them_can_be_named(place: int | Literal["all"]) -> None:
    disk_choice.check(TWO, place)


def test_a_rebuild_of_all_on_one_fits_a_smaller_target() -> None:
    made = disk_choice.merged(TWO).manifest
    needs = {1: Need(0, 64 * MIB), 1002: Need(0, 64 * MIB)}

    plan = planner.plan(made, target_size=256 * MIB, needs=needs)

    assert plan.disk.size == 256 * MIB
    assert plan.disk.partition(1002).end * 512 <= 256 * MIB
    assert [step.number for step in plan.steps if hasattr(step, "number")] == [1, 1002, 1001]
