from __future__ import annotations

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import LayoutError, TargetRefusedError
from holdstill.model.layout import (
    Container,
    Disk,
    Ext4,
    Fat,
    FileSystem,
    Need,
    Other,
    Partition,
    Raw,
    Subvolume,
    Swap,
    TableLabel,
)
from holdstill.model.manifest import (
    FORMAT,
    Attachment,
    BoardIdentity,
    CapturedPart,
    Grade,
    Manifest,
    Moment,
    Pause,
    SwapFile,
)
from holdstill.model.sizes import GIB, MIB
from holdstill.rebuild import planner, steps
from holdstill.rebuild.partition_layout import DoesNotFitError
from holdstill.rebuild.steps import MakeExt4, MakeFat, MakeOther, PutGap, PutRaw

SECTOR = 512
FAT = Fat(
    bits=32, volume_id=0xA40D85E7, label="BOOT", sectors_per_cluster=4, reserved_sectors=32,
    sectors=524_288, clusters=130_554,
)  # fmt: skip
EXT4 = Ext4(
    uuid="3e6be9de-8139-11d1-9106-a43f08d823a6",
    block_size=4096,
    blocks=(GIB - 4 * MIB) // 4096,
    inode_size=256,
    inodes=65_536,
    features=("has_journal", "extent"),
    reserved_blocks=13_000,
    journal_blocks=4096,
)
SWAP = Swap(uuid="01234567-89ab-cdef-0123-456789abcdef")
RAW = Raw(digest="ab" * 32, size=8 * MIB)
GAP = Attachment(name="gap.bin", sha256="cd" * 32, size=4096)


def manifest(
    *systems: FileSystem,
    size: int = 2 * GIB,
    gap: Attachment | None = GAP,
    swap_files: tuple[SwapFile, ...] = (),
) -> Manifest:
    """Return a manifest whose partitions lie one behind the other from 4 MiB on."""
    lengths = {Fat: 256 * MIB, Ext4: GIB, Swap: 64 * MIB, Raw: 8 * MIB, Other: 128 * MIB}
    partitions, start = [], 8192
    for number, system in enumerate(systems, start=1):
        length = lengths[type(system)] // SECTOR
        partitions.append(Partition(number=number, start=start, size=length, type="83"))
        start += length
    return Manifest(
        format=FORMAT,
        agent="0.1.0",
        board=BoardIdentity(name="pier-3"),
        seq=42,
        run="0123456789abcdef",
        moment=Moment(taken_at="2026-11-25T02:15:03Z", monotonic=7.0, clock_trusted=True),
        disk=Disk(
            size=size, label=TableLabel.DOS, id="0x9a3c5d2e", partitions=tuple(partitions),
            model="CARD", serial="7",
        ),
        parts=tuple(
            CapturedPart(number=number, grade=Grade.POINT_IN_TIME, file_system=system)
            for number, system in enumerate(systems, start=1)
        ),
        pause=Pause(),
        index=Attachment(name="index.sqlite", sha256="ef" * 32, size=4096),
        gap=gap,
        swap_files=swap_files,
    )  # fmt: skip


USUAL = manifest(FAT, EXT4)
SMALL = {2: Need(inodes=30_000, size=300 * MIB)}


def names(plan: planner.Plan) -> list[str]:
    return [type(step).__name__ for step in plan.steps]


# FAULTS 2.1, R5 to R11: old tables first, the new one last of all.
def test_steps_come_in_the_order_that_never_leaves_a_valid_table_too_early() -> None:
    capture = manifest(SWAP, RAW, EXT4, FAT, Other(type="f2fs"))

    plan = planner.plan(capture, target_size=capture.disk.size, needs={})

    assert names(plan) == [
        "ClearTables", "PutGap", "MakeFat", "MakeExt4", "MakeOther", "MakeSwap", "PutRaw",
        "Flush", "ReadBack", "WriteTable",
    ]  # fmt: skip


def test_on_a_card_of_the_same_size_everything_keeps_its_parameters() -> None:
    tight = manifest(FAT, msgspec.structs.replace(EXT4, blocks=GIB // 4096), size=1300 * MIB)

    plan = planner.plan(tight, target_size=tight.disk.size, needs=SMALL)

    made = {step.number: step for step in plan.steps if isinstance(step, MakeFat | MakeExt4)}
    assert made[1].parameters == FAT
    assert made[2].parameters == tight.parts[1].file_system
    assert (made[1].offset, made[2].offset) == (4 * MIB, 260 * MIB)
    assert plan.disk.partitions == tight.disk.partitions
    assert plan.notes == ()


def test_the_card_is_not_said_to_be_the_old_one() -> None:
    plan = planner.plan(USUAL, target_size=USUAL.disk.size, needs=SMALL)

    assert (plan.disk.model, plan.disk.serial) == ("", "")


def test_the_last_tree_grows_and_this_is_said() -> None:
    plan = planner.plan(USUAL, target_size=8 * GIB, needs=SMALL)

    root = next(step for step in plan.steps if isinstance(step, MakeExt4))
    assert root.offset + root.size == 8 * GIB
    assert root.parameters.blocks == root.size // 4096
    assert plan.notes == ("partition 2 grows from 1.0 GiB to 7.7 GiB",)


def test_what_shrinks_and_what_moves_is_said_with_where_from_and_to() -> None:
    capture = manifest(EXT4, SWAP)

    plan = planner.plan(capture, target_size=516 * MIB, needs={1: Need(30_000, 300 * MIB)})

    assert plan.disk.partition(1).size == 448 * MIB // SECTOR
    assert plan.notes == (
        "partition 1 shrinks from 1.0 GiB to 448.0 MiB",
        f"partition 2 moves from sector {8192 + GIB // SECTOR} to {8192 + 448 * MIB // SECTOR}",
    )


def test_a_named_partition_grows_instead() -> None:
    capture = manifest(EXT4, EXT4, size=3 * GIB)

    plan = planner.plan(capture, target_size=8 * GIB, needs={}, grow=1)

    first, second = (step for step in plan.steps if isinstance(step, MakeExt4))
    assert first.size > 5 * GIB
    assert second.size == GIB
    assert any("partition 2 moves" in note for note in plan.notes)


def test_swap_behind_the_root_keeps_its_size_and_moves() -> None:
    plan = planner.plan(manifest(FAT, EXT4, SWAP), target_size=8 * GIB, needs={})

    assert plan.disk.partition(3).size == 64 * MIB // SECTOR
    assert plan.disk.partition(3).end == 8 * GIB // SECTOR


def test_a_named_fat_gets_parameters_for_its_new_size() -> None:
    capture = manifest(FAT, EXT4)

    plan = planner.plan(capture, target_size=3 * GIB, needs={}, grow=1)

    boot = next(step for step in plan.steps if isinstance(step, MakeFat))
    assert boot.parameters.sectors == boot.size // SECTOR
    assert boot.parameters.clusters > FAT.clusters


@pytest.mark.parametrize("number", [1, 2])
def test_swap_and_raw_partitions_cannot_be_named(number: int) -> None:
    with pytest.raises(TargetRefusedError, match=f"partition {number} .* keeps its size"):
        planner.plan(manifest(SWAP, RAW, EXT4), target_size=8 * GIB, needs={}, grow=number)


def test_a_partition_that_is_not_there_is_refused_by_name() -> None:
    with pytest.raises(TargetRefusedError, match="no partition 7") as refusal:
        planner.plan(USUAL, target_size=8 * GIB, needs={}, grow=7)

    assert refusal.value.hint == "it has 1, 2"


def test_a_card_that_is_too_small_is_refused_with_what_would_do() -> None:
    with pytest.raises(DoesNotFitError) as refusal:
        planner.plan(USUAL, target_size=400 * MIB, needs=SMALL)

    assert refusal.value.smallest == planner.smallest(USUAL, needs=SMALL) == 560 * MIB
    assert refusal.value.shortfall == 160 * MIB


def test_the_smallest_card_will_do() -> None:
    lowest = planner.smallest(USUAL, needs=SMALL)

    plan = planner.plan(USUAL, target_size=lowest, needs=SMALL)

    root = next(step for step in plan.steps if isinstance(step, MakeExt4))
    assert root.parameters.inodes >= 30_000
    assert root.size >= 300 * MIB


def test_a_raw_partition_is_never_cut() -> None:
    larger = msgspec.structs.replace(RAW, size=9 * MIB)

    with pytest.raises(DoesNotFitError, match="partition 1 holds"):
        planner.plan(manifest(larger, EXT4), target_size=2 * GIB, needs={})


def test_a_file_system_smaller_than_its_partition_stays_so() -> None:
    plan = planner.plan(USUAL, target_size=USUAL.disk.size, needs=SMALL)

    root = next(step for step in plan.steps if isinstance(step, MakeExt4))
    assert root.parameters == EXT4


def test_a_file_system_takes_its_whole_partition_when_it_must() -> None:
    needs = {2: Need(inodes=1000, size=GIB - MIB)}

    plan = planner.plan(USUAL, target_size=USUAL.disk.size, needs=needs)

    root = next(step for step in plan.steps if isinstance(step, MakeExt4))
    assert root.parameters.blocks == GIB // 4096


def test_a_file_system_of_the_same_size_gets_the_inodes_that_it_needs() -> None:
    needs = {2: Need(inodes=70_000, size=300 * MIB)}

    plan = planner.plan(USUAL, target_size=USUAL.disk.size, needs=needs)

    root = next(step for step in plan.steps if isinstance(step, MakeExt4))
    assert root.parameters.inodes == 70_000
    assert root.parameters.blocks == EXT4.blocks


def test_the_guard_against_two_mounts_is_left_out_and_said() -> None:
    guarded = msgspec.structs.replace(EXT4, features=("mmp", "extent"))

    plan = planner.plan(manifest(guarded), target_size=2 * GIB, needs={})

    made = next(step for step in plan.steps if isinstance(step, MakeExt4))
    assert made.parameters.features == ("extent",)
    assert any("mmp" in note for note in plan.notes)


def test_file_systems_without_recorded_parameters_are_said_to_be_so() -> None:
    plan = planner.plan(manifest(Other(type="f2fs")), target_size=2 * GIB, needs={})

    assert [type(step) for step in plan.steps if isinstance(step, MakeOther)] == [MakeOther]
    assert any("f2fs is made with default parameters" in note for note in plan.notes)


def test_what_was_left_out_of_the_capture_is_named_and_nothing_else() -> None:
    left_out = (Raw(type="ntfs", size=8 * MIB), Raw(size=8 * MIB))

    plan = planner.plan(manifest(RAW, *left_out), target_size=2 * GIB, needs={})

    assert [note for note in plan.notes if "left out" in note] == [
        "partition 2 (ntfs) was left out of the capture: it is there, and empty",
        "partition 3 was left out of the capture: it is there, and empty",
    ]


def test_swap_files_go_with_their_partition() -> None:
    files = (
        SwapFile(partition=2, path="swapfile", size=MIB),
        SwapFile(partition=1, path="other", size=MIB),
    )

    capture = manifest(EXT4, EXT4, size=3 * GIB, swap_files=files)

    plan = planner.plan(capture, target_size=3 * GIB, needs={})

    made = [step.swap_files for step in plan.steps if isinstance(step, MakeExt4)]
    assert made == [files[1:], files[:1]]


def test_without_a_gap_nothing_is_put_there() -> None:
    plan = planner.plan(manifest(EXT4, gap=None), target_size=2 * GIB, needs={})

    assert not any(isinstance(step, PutGap) for step in plan.steps)


def test_a_container_is_no_step() -> None:
    capture = manifest(EXT4)
    outer = Partition(number=4, start=4_194_304 - 4096, size=2048, type="f")
    part = CapturedPart(number=4, grade=Grade.READ_ONLY, file_system=Container())
    disk = msgspec.structs.replace(capture.disk, partitions=(*capture.disk.partitions, outer))
    capture = msgspec.structs.replace(capture, disk=disk, parts=(*capture.parts, part))

    plan = planner.plan(capture, target_size=2 * GIB, needs={})

    assert [step.number for step in plan.steps if isinstance(step, steps.PartStep)] == [1]


def test_subvolumes_are_made_with_their_partition_each_behind_what_it_is_in() -> None:
    kinds = {
        101: Subvolume(of=1, path="@/var/lib"),
        102: Subvolume(of=1, path="@", is_default=True),
        103: Subvolume(of=2, path="@"),
    }
    capture = manifest(Other(type="btrfs"), Other(type="btrfs"))
    parts = tuple(
        CapturedPart(number=number, grade=Grade.POINT_IN_TIME, file_system=kind)
        for number, kind in kinds.items()
    )
    capture = msgspec.structs.replace(capture, parts=(*capture.parts, *parts))

    plan = planner.plan(capture, target_size=2 * GIB, needs={})

    made = [step for step in plan.steps if isinstance(step, steps.PartStep)]
    assert [type(step) for step in made] == [MakeOther, MakeOther]
    assert [[one.number for one in step.subvolumes] for step in made if
            isinstance(step, MakeOther)] == [[102, 101], [103]]  # fmt: skip


def test_a_part_without_a_partition_is_refused() -> None:
    disk = msgspec.structs.replace(USUAL.disk, partitions=USUAL.disk.partitions[:1])
    capture = msgspec.structs.replace(USUAL, disk=disk)

    with pytest.raises(LayoutError, match="partition 2"):
        planner.plan(capture, target_size=2 * GIB, needs={})


def test_a_plan_can_be_shown_as_a_document() -> None:
    plan = planner.plan(manifest(FAT, EXT4, RAW), target_size=2 * GIB, needs=SMALL)

    document = msgspec.json.encode(plan)

    assert msgspec.json.decode(document, type=planner.Plan) == plan


SYSTEMS = st.lists(
    st.sampled_from([FAT, EXT4, SWAP, RAW, Other(type="xfs")]), min_size=1, max_size=4
)


@given(
    systems=SYSTEMS,
    extra=st.integers(0, 64 * GIB),
    leave_free=st.integers(0, GIB),
    need=st.integers(64 * MIB, GIB),
)
def test_steps_stay_inside_the_target_and_apart(
    systems: list[FileSystem], extra: int, leave_free: int, need: int
) -> None:
    capture = manifest(*systems, size=8 * GIB)
    needs = {
        part.number: Need(inodes=1000, size=need)
        for part in capture.parts
        if isinstance(part.file_system, Ext4)
    }
    size = planner.smallest(capture, needs=needs, leave_free=leave_free) + extra

    plan = planner.plan(capture, target_size=size, needs=needs, leave_free=leave_free)

    assert plan == planner.plan(capture, target_size=size, needs=needs, leave_free=leave_free)
    parts = sorted(
        (step.offset, step.size) for step in plan.steps if isinstance(step, steps.PartStep)
    )
    assert len(parts) == len(systems)
    assert all(offset % (4 * MIB) == 0 for offset, _ in parts)
    ends = [offset + length for offset, length in parts]
    starts = [*(offset for offset, _ in parts[1:]), size - leave_free]
    assert all(end <= start for end, start in zip(ends, starts, strict=True))
    for step in plan.steps:
        if isinstance(step, MakeExt4):
            assert step.size >= need
            assert step.parameters.blocks * 4096 <= step.size
        if isinstance(step, PutRaw):
            assert step.size >= step.parameters.size


def test_a_partition_that_was_left_out_keeps_its_place_and_is_said_to_be_empty() -> None:
    capture = manifest(EXT4, RAW)
    parts = (
        capture.parts[0],
        msgspec.structs.replace(capture.parts[1], file_system=Raw(type="xfs")),
    )
    capture = msgspec.structs.replace(capture, parts=parts)

    plan = planner.plan(capture, target_size=capture.disk.size, needs={})

    assert names(plan) == [
        "ClearTables", "PutGap", "MakeExt4", "LeaveEmpty", "Flush", "ReadBack", "WriteTable",
    ]  # fmt: skip
    assert plan.disk.partition(2) == capture.disk.partition(2)
    assert [note for note in plan.notes if "partition 2 (xfs) was left out" in note]


# Of two partitions the last one, a small one, gives or takes unless another is named.
def test_a_target_that_another_partition_would_fit_is_said_to_be_large_enough() -> None:
    capture = manifest(EXT4, Other(type="f2fs"))
    needs = {1: Need(1000, 128 * MIB), 2: Need(0, 100 * MIB)}
    size = planner.smallest(capture, needs=needs) - 64 * MIB

    with pytest.raises(DoesNotFitError) as caught:
        planner.plan(capture, target_size=size, needs=needs)

    assert "--grow 1" in caught.value.hint
    assert planner.plan(capture, target_size=size, needs=needs, grow=1).disk.size == size


def test_no_other_partition_is_named_where_none_would_help() -> None:
    capture = manifest(EXT4, Other(type="f2fs"))
    needs = {1: Need(1000, GIB), 2: Need(0, 100 * MIB)}

    size = planner.smallest(capture, needs=needs) - 64 * MIB

    with pytest.raises(DoesNotFitError) as caught:
        planner.plan(capture, target_size=size, needs=needs)

    assert "--grow" not in caught.value.hint
