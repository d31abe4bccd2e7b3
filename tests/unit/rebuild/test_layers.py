"""Rebuilding what lies in partitions: logical volumes, and encrypted containers."""

from __future__ import annotations

import itertools
from typing import TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from holdstill.errors import LayoutError, TargetRefusedError
from holdstill.model import manifest_check
from holdstill.model.layout import Container, Disk, Ext4, Luks, LvmPv, Need, Partition, Volume
from holdstill.model.layout import TableLabel as Label
from holdstill.model.manifest import FurtherDisk, Manifest
from holdstill.model.sizes import GIB, MIB
from holdstill.rebuild import disk_choice, gathered_groups, planner, unencrypted
from holdstill.rebuild.partition_layout import DoesNotFitError
from holdstill.rebuild.steps import MakeExt4, MakeLuks, MakeLvm
from holdstill.rebuild.unencrypted import PlainWords
from support import cards
from unit.rebuild.test_planner import EXT4, FAT

EXTENT = 4 * MIB
PV = LvmPv(
    uuid="2XEORF-yDQ1-yosy-arLo-Mj4j-d1JM-erRFel", group="board-vg",
    group_uuid="lN8uhS-miwU-TD83-WqVq-rZoA-z6R6-rLphMi", extent_size=EXTENT, first_extent=MIB,
)  # fmt: skip
LUKS = Luks(
    version=2, uuid="09d51ea3-634d-4111-acdd-1ddb86de7e40", label="vault",
    cipher="aes-xts-plain64", key_bits=512, hash="sha256", first_byte=16 * MIB, kdf="argon2id",
    kdf_memory=65536, kdf_time=4,
)  # fmt: skip
IDS = ("4bwfcu-lr0w-uLQ7-5Fzg-8cJq-9wTN-60ZzTv", "PQ4tEu-RN4u-g6eP-3R0e-mwtd-Dgbn-LAdAQy")
T = TypeVar("T")
START, BOOT = 8192, 524_288


def small(extents: int) -> Ext4:
    return structs.replace(EXT4, blocks=extents * EXTENT // 4096, reserved_blocks=100)


def disk(size: int, *volumes: Volume, last: int) -> Disk:
    parts = (
        Partition(number=1, start=START, size=BOOT, type="c"),
        Partition(number=2, start=START + BOOT, size=last, type="8e"),
    )
    return Disk(size=size, label=Label.DOS, id="0x9a3c5d2e", partitions=parts, volumes=volumes)


def with_lvm(root: int = 100, home: int = 30, free: int = 20, luks: int = 0) -> Manifest:
    """Return a board with LVM in its second partition; sizes in extents, luks: header's bytes."""
    grain, first = EXTENT // 512, START + BOOT + luks // 512 + 2048
    last = luks // 512 + 2048 + (root + home + free) * grain
    of = 501 if luks else 2
    volumes = [
        Volume(number=of + 500 if not luks else 502, of=of, name="root", group="board-vg",
               uuid=IDS[0], start=first, size=root * grain, grain=grain),
        Volume(number=503, of=of, name="home", group="board-vg", uuid=IDS[1],
               start=first + root * grain, size=home * grain, grain=grain),
    ]  # fmt: skip
    systems: dict[int, object] = {1: FAT, 2: PV, 502: small(root), 503: small(home)}
    if luks:
        inner = Volume(
            number=501, of=2, name="crypt", start=START + BOOT + luks // 512,
            size=last - luks // 512,
        )  # fmt: skip
        volumes.insert(0, inner)
        systems |= {2: LUKS, 501: PV}
    made = disk(2 * GIB, *volumes, last=last)
    return cards.manifest_of(made, systems)  # type: ignore[arg-type]


NEEDS = {1: Need(0, 64 * MIB), 502: Need(2000, 100 * MIB), 503: Need(2000, 50 * MIB)}


def of_kind(plan: planner.Plan, kind: type[T]) -> list[T]:
    return [step for step in plan.steps if isinstance(step, kind)]


@pytest.mark.parametrize("size", [2 * GIB, 4 * GIB, 700 * MIB])
@pytest.mark.parametrize("grow", [None, 502, 503, 1])
def test_volumes_are_whole_extents_of_their_group_in_order(size: int, grow: int | None) -> None:
    try:
        plan = planner.plan(with_lvm(), target_size=size, needs=NEEDS, grow=grow)
    except DoesNotFitError:
        assert (size, grow) in {(700 * MIB, 503), (700 * MIB, 1), (700 * MIB, None)}
        return
    (lvm,) = of_kind(plan, MakeLvm)
    systems = {step.number: step for step in of_kind(plan, MakeExt4)}

    assert [(one.name, one.uuid) for one in lvm.volumes] == [("root", IDS[0]), ("home", IDS[1])]
    end = 0
    for volume, number in zip(lvm.volumes, (502, 503), strict=True):
        assert volume.first == end
        end = volume.first + volume.extents
        step = systems[number]
        assert step.size == volume.extents * EXTENT
        assert step.offset == lvm.offset + PV.first_extent + volume.first * EXTENT
        assert step.parameters.blocks * 4096 <= step.size
    assert lvm.offset + PV.first_extent + end * EXTENT <= lvm.offset + lvm.size <= size


@given(st.integers(1, 200), st.integers(1, 200), st.integers(0, 50), st.integers(300, 9000),
       st.sampled_from([None, 502, 503]), st.sampled_from([0, 16 * MIB]))  # fmt: skip
def test_no_plan_lets_volumes_overlap_or_reach_out(
    root: int, home: int, free: int, target: int, grow: int | None, luks: int
) -> None:
    captured = with_lvm(root, home, free, luks=luks)
    needs = {1: Need(0, MIB), 502: Need(20, 4 * MIB), 503: Need(20, 4 * MIB)}
    try:
        plan = planner.plan(captured, target_size=target * MIB, needs=needs, grow=grow)
    except DoesNotFitError as error:
        smallest = error.smallest
        assert smallest > target * MIB
        planner.plan(captured, target_size=smallest, needs=needs, grow=grow)
        return
    first, second = sorted(of_kind(plan, MakeExt4), key=lambda step: step.offset)
    assert first.offset + first.size <= second.offset
    (around,) = of_kind(plan, MakeLvm)
    assert second.offset + second.size <= around.offset + around.size
    assert around.offset + around.size <= target * MIB


def test_free_extents_give_way_before_volumes_do() -> None:
    captured = with_lvm(root=100, home=30, free=20)
    end = (START + BOOT) * 512 + MIB + 130 * EXTENT

    plan = planner.plan(captured, target_size=end, needs=NEEDS)

    assert [one.extents for one in of_kind(plan, MakeLvm)[0].volumes] == [100, 30]
    # Also where what gives or takes is not the last volume.
    other = planner.plan(captured, target_size=end, needs=NEEDS, grow=502)
    assert [one.extents for one in of_kind(other, MakeLvm)[0].volumes] == [100, 30]


def test_one_of_several_physical_volumes_is_refused_with_what_to_do() -> None:
    captured = with_lvm()
    several = structs.replace(PV, members=2)
    parts = tuple(
        structs.replace(part, file_system=several) if part.number == 2 else part
        for part in captured.parts
    )

    with pytest.raises(TargetRefusedError, match="one of 2 physical volumes") as refused:
        planner.plan(structs.replace(captured, parts=parts), target_size=2 * GIB, needs=NEEDS)
    assert "holdstill get" in refused.value.hint


SECOND = structs.replace(PV, uuid="CqU7yQ-KUVY-IF1U-vqzh-s90U-jxbq-9PRI5M", members=2)


def on_two(*, spanning: tuple[str, ...] = ()) -> Manifest:
    """Return a board with a volume group on two partitions: root on one, home on the other."""
    whole = with_lvm()
    grain = EXTENT // 512
    one, two = whole.disk.partitions
    two = structs.replace(two, size=2048 + 110 * grain)
    three = Partition(number=3, start=two.end, size=2048 + 40 * grain, type="8e")
    root, home = whole.disk.volumes
    home = structs.replace(home, of=3, start=three.start + 2048)
    made = structs.replace(whole.disk, partitions=(one, two, three), volumes=(root, home))
    first = structs.replace(PV, members=2, spanning=spanning)
    systems = {part.number: part.file_system for part in whole.parts}
    systems |= {2: first, 3: structs.replace(SECOND, spanning=spanning)}
    return cards.manifest_of(made, systems)


@pytest.mark.parametrize("size", [2 * GIB, 4 * GIB, 1000 * MIB])
@pytest.mark.parametrize("grow", [None, 502, 503])
def test_a_group_on_two_partitions_keeps_each_volume_where_it_was(
    size: int, grow: int | None
) -> None:
    plan = planner.plan(on_two(), target_size=size, needs=NEEDS, grow=grow)

    first, second = sorted(of_kind(plan, MakeLvm), key=lambda step: step.number)
    assert first.members == second.members
    assert first.volumes == second.volumes  # LVM has the same text on each
    assert [one.size for one in first.members] == [first.size, second.size]
    assert [(one.name, one.physical, one.first) for one in first.volumes] == [
        ("root", PV.uuid, 0), ("home", SECOND.uuid, 0),
    ]  # fmt: skip
    systems = {step.number: step for step in of_kind(plan, MakeExt4)}
    for step, number, volume in zip((first, second), (502, 503), first.volumes, strict=True):
        assert systems[number].offset == step.offset + MIB
        assert MIB + volume.extents * EXTENT <= step.size
    assert first.offset + first.size <= second.offset
    assert second.offset + second.size <= size


@pytest.mark.parametrize(
    "other",
    [PV, structs.replace(SECOND, extent_size=MIB), structs.replace(SECOND, group="other")],
    ids=["same id", "extents", "name"],
)
def test_physical_volumes_that_do_not_agree_are_refused(other: LvmPv) -> None:
    captured = on_two()
    parts = tuple(
        structs.replace(part, file_system=structs.replace(other, members=2))
        if part.number == 3
        else part
        for part in captured.parts
    )

    with pytest.raises(LayoutError, match="do not agree"):
        planner.plan(structs.replace(captured, parts=parts), target_size=2 * GIB, needs=NEEDS)


def test_a_volume_on_two_partitions_is_refused_by_its_name() -> None:
    with pytest.raises(TargetRefusedError, match="one of those that root is on"):
        planner.plan(on_two(spanning=("root",)), target_size=2 * GIB, needs=NEEDS)


def spread(*, behind: bool = False) -> Manifest:
    """Return a board whose root has 100 extents on each of two partitions; home is on one."""
    captured = on_two(spanning=("root",))
    root, home = captured.disk.volumes
    one, two, three = captured.disk.partitions
    three = structs.replace(three, size=2048 + 140 * EXTENT // 512)
    root = structs.replace(root, size=200 * EXTENT // 512)
    last = Partition(number=4, start=three.end, size=3 * 8192, type="83")
    partitions = (one, two, three, *([last] if behind else []))
    disk = structs.replace(captured.disk, partitions=partitions, volumes=(root, home))
    systems = {part.number: part.file_system for part in captured.parts}
    systems |= {502: small(200), **({4: structs.replace(EXT4, blocks=3 * 1024)} if behind else {})}
    return cards.manifest_of(disk, systems)


@pytest.mark.parametrize("size", [2 * GIB, 4 * GIB, 1300 * MIB])
@pytest.mark.parametrize("behind", [False, True])
def test_a_group_with_a_volume_on_two_partitions_is_gathered_on_one(
    size: int, *, behind: bool
) -> None:
    captured = spread(behind=behind)
    made, (note,) = gathered_groups.made(captured)

    assert note == (
        "the volume group board-vg is on partition 2 alone: root was on several, and 3 is no "
        "partition any more"
    )
    assert manifest_check.complaints(made) == []
    needs = {**NEEDS, 4: Need(0, MIB)} if behind else NEEDS
    plan = planner.plan(made, target_size=size, needs=needs)
    (lvm,) = of_kind(plan, MakeLvm)
    assert [one.uuid for one in lvm.members] == [PV.uuid]
    assert [(one.name, one.first) for one in lvm.volumes] == [("root", 0), ("home", 200)]
    assert lvm.volumes[0].extents == 200
    steps = sorted(of_kind(plan, MakeExt4), key=lambda step: step.offset)
    assert [step.number for step in steps] == ([502, 503, 4] if behind else [502, 503])
    for one, other in itertools.pairwise(steps):
        assert one.offset + one.size <= other.offset
    assert steps[-1].offset + steps[-1].size <= size


def test_what_is_in_a_gathered_volume_moves_with_it() -> None:
    captured = spread()
    root, home = captured.disk.volumes
    inner = Volume(
        number=504, of=503, name="crypt", start=home.start + 32768, size=home.size - 32768
    )
    disk = structs.replace(captured.disk, volumes=(root, home, inner))

    made, _ = gathered_groups.made(structs.replace(captured, disk=disk))
    moved = {one.number: one for one in made.disk.volumes}
    assert moved[504].start - moved[503].start == 32768
    assert moved[503].start != home.start


@pytest.mark.parametrize("why", ["one piece", "not all", "logical", "in a container"])
def test_what_need_not_or_cannot_be_gathered_is_as_it_was(why: str) -> None:
    captured = on_two() if why == "one piece" else spread()
    disk, parts = captured.disk, captured.parts
    if why == "not all":
        parts = tuple(part for part in parts if part.number != 3)
    elif why == "logical":
        last = disk.partitions[-1]
        extra = structs.replace(last, number=5, start=last.end, size=9)
        disk = structs.replace(disk, partitions=(*disk.partitions, extra))
    elif why == "in a container":
        volume = Volume(number=501, of=3, name="crypt", start=9, size=9)
        disk = structs.replace(disk, volumes=(volume, *disk.volumes))
        kinds = {3: LUKS, 501: captured.part(3).file_system}
        systems = {part.number: part.file_system for part in parts} | kinds
        parts = cards.manifest_of(disk, systems).parts
    captured = structs.replace(captured, disk=disk, parts=parts)

    assert gathered_groups.made(captured) == (captured, ())


def test_what_is_in_a_container_is_made_before_it_is_encrypted() -> None:
    plan = planner.plan(with_lvm(luks=16 * MIB), target_size=2 * GIB, needs=NEEDS)

    (luks,) = of_kind(plan, MakeLuks)
    kinds = [step for step in plan.steps if getattr(step, "inside", 0)]
    assert {step.number for step in kinds} == {501, 502, 503}  # type: ignore[union-attr]
    assert all(step.inside == 2 for step in kinds)  # type: ignore[union-attr]
    assert plan.steps.index(luks) > max(map(plan.steps.index, kinds))
    assert luks.inside == 0


def test_a_container_within_another_is_refused() -> None:
    captured = with_lvm(luks=16 * MIB)
    parts = tuple(
        structs.replace(part, file_system=LUKS) if part.number == 501 else part
        for part in captured.parts
    )

    with pytest.raises(TargetRefusedError, match="within another"):
        planner.plan(structs.replace(captured, parts=parts), target_size=2 * GIB, needs=NEEDS)


def test_plain_puts_the_content_where_the_container_was() -> None:
    made = unencrypted.made(with_lvm(luks=16 * MIB))
    partition, inner = made.manifest.disk.area(2), made.manifest.disk.area(501)

    assert (inner.start, inner.size) == (partition.start, partition.size)
    assert isinstance(made.manifest.part(2).file_system, Container)
    (note,) = made.notes
    assert note.startswith("NOT ENCRYPTED")
    plan = planner.plan(made.manifest, target_size=2 * GIB, needs=NEEDS)
    assert not of_kind(plan, MakeLuks)
    (lvm,) = of_kind(plan, MakeLvm)
    assert lvm.offset == partition.start * 512
    assert manifest_check.complaints(made.manifest) == []


def test_words_that_unlock_are_taken_out_and_names_follow() -> None:
    words = PlainWords({}, devices={"/dev/mapper/crypt": "UUID=1234"})
    # Debian's cryptsetup-initramfs, systemd's and dracut's, mkinitcpio's: each by its manual.
    line = (
        b"options root=/dev/mapper/crypt ro cryptopts=source=UUID=9,target=crypt "
        b"rd.luks.name=09d5=crypt luks.options=discard cryptdevice=/dev/sda2:crypt quiet\n"
    )
    found = words.replace(line)

    assert found.content == b"options root=UUID=1234 ro quiet\n"
    assert ("/dev/mapper/crypt", "UUID=1234") in found.replaced
    other = b'root=/dev/mapper/crypt2 notluks.name=x GRUB_CMDLINE_LINUX="ro"\n'
    assert words.replace(other).content == other


def test_crypttab_keeps_what_is_not_gone() -> None:
    made = unencrypted.made(with_lvm(luks=16 * MIB))
    table = (
        b"# name source key\n"
        b"crypt UUID=09D51EA3-634d-4111-acdd-1ddb86de7e40 none luks\n"
        b"other UUID=77777777-634d-4111-acdd-1ddb86de7e40 none luks\n"
    )

    lines = unencrypted.without_containers(table, made).splitlines()
    assert lines[0] == b"# name source key"
    assert lines[1].startswith(b"# ")
    assert b"crypt UUID=09D51EA3" in lines[1]
    assert lines[2].startswith(b"other ")


def test_volumes_of_a_second_disk_move_with_their_partition() -> None:
    captured = with_lvm()
    first = Disk(
        size=GIB, label=Label.GPT, id="0F1E2D3C-0000-4000-8000-000000000000", first_lba=34,
        last_lba=GIB // 512 - 34,
        partitions=(
            Partition(number=1, start=2048, size=START + BOOT, type="A", uuid=IDS[0]),
        ),
    )  # fmt: skip
    second = captured.disk.as_further(2)
    renumbered = {1: 1001, 2: 1002, 502: 1502, 503: 1503}
    two = structs.replace(
        captured,
        disk=first,
        further_disks=(FurtherDisk(disk=second),),
        parts=tuple(
            structs.replace(part, number=renumbered[part.number]) for part in captured.parts
        ),
    )
    assert [volume.number for volume in second.volumes] == [1502, 1503]
    assert [volume.of for volume in second.volumes] == [1002, 1002]

    one = disk_choice.merged(two).manifest.disk
    moved = one.area(1002).start - second.area(1002).start
    assert moved != 0
    for number in (1502, 1503):
        assert one.area(number).start == second.area(number).start + moved
