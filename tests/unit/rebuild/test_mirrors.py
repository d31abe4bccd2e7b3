"""Rebuilding mirrors (md): their one member, where their content is, and what is said of it."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from holdstill.model import manifest_check
from holdstill.model.layout import (
    ARRAY,
    ArrayMember,
    Need,
    Partition,
    Raw,
    Volume,
)
from holdstill.model.sizes import GIB, MIB
from holdstill.rebuild import planner
from holdstill.rebuild.partition_layout import DoesNotFitError
from holdstill.rebuild.steps import LeaveEmpty, MakeArray, MakeExt4, MakeLvm
from support import cards
from unit.rebuild.test_layers import BOOT, EXTENT, IDS, PV, START, disk, of_kind, small
from unit.rebuild.test_planner import FAT

if TYPE_CHECKING:
    from holdstill.model.manifest import Manifest

MEMBER = ArrayMember(
    uuid="66863cc6:b8336585:7de1d0c3:898c955d", name="pier-3:root", version="1.2", members=2,
    first_byte=MIB,
)  # fmt: skip


def mirror(*, version: str = "1.2", extents: int = 100, lvm: bool = False) -> Manifest:
    """Return a board with a mirror in its second partition, whose twin is the third one."""
    first = 0 if version == "1.0" else MIB
    member = structs.replace(MEMBER, version=version, first_byte=first)
    size, behind = extents * EXTENT // 512, 24 if version == "1.0" else 0
    inside = size + (2048 if lvm else 0)
    begin = START + BOOT + first // 512
    array = Volume(
        number=501, of=2, name="pier-3:root", array="md0", uuid=MEMBER.uuid, start=begin,
        size=inside, grain=8, behind=behind,
    )  # fmt: skip
    last = first // 512 + inside + behind
    systems: dict[int, object] = {1: FAT, 2: member, 501: small(extents)}
    volumes = [array]
    if lvm:
        systems |= {501: PV, 502: small(extents)}
        grain = EXTENT // 512
        volumes.append(
            Volume(number=502, of=501, name="root", group="board-vg", uuid=IDS[0],
                   start=begin + 2048, size=size, grain=grain)
        )  # fmt: skip
    made = disk(2 * GIB, *volumes, last=last)
    return cards.manifest_of(made, systems)  # type: ignore[arg-type]


VERSIONS = pytest.mark.parametrize("version", ["1.0", "1.1", "1.2"])


@VERSIONS
@pytest.mark.parametrize("lvm", [False, True])
def test_boards_with_mirrors_make_sense(version: str, *, lvm: bool) -> None:
    assert manifest_check.complaints(mirror(version=version, lvm=lvm)) == []


@given(
    st.sampled_from(["1.0", "1.1", "1.2"]), st.integers(10, 200), st.integers(300, 5000),
    st.sampled_from([501, 502]),
)  # fmt: skip
def test_content_fits_its_member_with_room_for_what_that_says(
    version: str, extents: int, target: int, files_in: int
) -> None:
    lvm = files_in == 502
    captured = mirror(version=version, extents=extents, lvm=lvm)
    needs = {1: Need(0, MIB), files_in: Need(20, 4 * MIB)}
    try:
        plan = planner.plan(captured, target_size=target * MIB, needs=needs)
    except DoesNotFitError as error:
        smallest = error.smallest
        assert smallest > target * MIB
        planner.plan(captured, target_size=smallest, needs=needs)
        return
    (array,), (system,) = of_kind(plan, MakeArray), of_kind(plan, MakeExt4)
    first = array.parameters.first_byte
    assert array.offset + array.size <= target * MIB
    assert array.offset + first <= system.offset
    assert system.offset + system.size <= array.offset + first + array.content
    # Linux drivers/md/md.c, super_1_load: of 1.0 it is at a whole 4 KiB, 8 KiB before the end.
    room = (array.size - 8192) // 4096 * 4096 if version == "1.0" else array.size
    assert first + array.content <= room
    kinds = [type(step) for step in plan.steps]
    assert kinds.index(MakeArray) > kinds.index(MakeExt4)
    assert len(of_kind(plan, MakeLvm)) == lvm


def test_a_mirror_with_one_member_is_said_loudly_and_its_twin_is_left_empty() -> None:
    captured = mirror()
    around = captured.disk.partitions[1]
    twin = Partition(number=3, start=around.end, size=around.size, type="fd")
    table = structs.replace(captured.disk, partitions=(*captured.disk.partitions, twin))
    systems = {part.number: part.file_system for part in captured.parts}
    two = cards.manifest_of(table, {**systems, 3: Raw(type=ARRAY)})

    plan = planner.plan(two, target_size=4 * GIB, needs={501: Need(20, 4 * MIB)})

    (note,) = [note for note in plan.notes if "DEGRADED" in note]
    assert "with one of its 2 members, in 2" in note
    assert "`mdadm --manage /dev/md0 --add PARTITION`" in note
    assert [step.number for step in of_kind(plan, LeaveEmpty)] == [3]
    ends = sorted((one.start, one.end) for one in plan.disk.partitions)
    assert all(end <= start for (_, end), (start, _) in itertools.pairwise(ends))


def test_a_mirror_of_one_member_is_not_called_degraded() -> None:
    captured = mirror()
    parts = tuple(
        structs.replace(part, file_system=structs.replace(MEMBER, members=1))
        if part.number == 2
        else part
        for part in captured.parts
    )

    plan = planner.plan(
        structs.replace(captured, parts=parts), target_size=4 * GIB, needs={501: Need(20, MIB)}
    )
    assert not [note for note in plan.notes if "DEGRADED" in note]


def test_the_names_of_an_array_are_those_that_mdadm_makes() -> None:
    # mdadm's udev-md-raid-arrays.rules, and mdadm(8), DEVICE NAMES.
    assert mirror().disk.volumes[0].nodes == (
        "/dev/md0",
        "/dev/disk/by-id/md-uuid-66863cc6:b8336585:7de1d0c3:898c955d",
        "/dev/md/root",
        "/dev/disk/by-id/md-name-pier-3:root",
    )
