"""A capture of several disks as that of one: one of them, or all of them put onto one."""

from __future__ import annotations

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


def test_a_rebuild_of_all_on_one_fits_a_smaller_target() -> None:
    made = disk_choice.merged(TWO).manifest
    needs = {1: Need(0, 64 * MIB), 1002: Need(0, 64 * MIB)}

    plan = planner.plan(made, target_size=256 * MIB, needs=needs)

    assert plan.disk.size == 256 * MIB
    assert plan.disk.partition(1002).end * 512 <= 256 * MIB
    assert [step.number for step in plan.steps if hasattr(step, "number")] == [1, 1002, 1001]
