"""What becomes of an eMMC's own areas in a rebuild, decided before anything is written."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest
from msgspec.structs import replace

from holdstill.errors import TargetRefusedError, UsageError
from holdstill.model.manifest import Attachment, Manifest
from holdstill.model.sizes import MIB
from holdstill.rebuild import boot_areas
from holdstill.rebuild.planner import Plan
from holdstill.rebuild.steps import ClearTables, PutBootArea, ReadBack, WriteTable
from support import captured

BOOT0 = Attachment(name="boot0.bin", sha256="a" * 64, size=4 * MIB)
GP1 = Attachment(name="gp1-2.bin", sha256="b" * 64, size=MIB)
NAME = "pier-3/000042-20261125T021503Z"


@dataclass(frozen=True)
class Area:
    device: Path
    size: int = 4 * MIB
    is_locked: bool = False
    is_in_use: bool = False
    is_guarded_for_good: bool = False


THERE = {"boot0": Area(Path("/dev/mmcblk1boot0")), "gp1": Area(Path("/dev/mmcblk1gp1"))}


def capture(*areas: Attachment) -> Manifest:
    return replace(captured.pier_3(), boot_areas=areas)


def decided(manifest: Manifest, there: dict[str, Area], *, is_wanted: bool) -> tuple[str, ...]:
    return boot_areas.decide(manifest, there, is_wanted=is_wanted, capture=NAME).notes


def test_by_default_none_is_written_and_each_has_its_commands() -> None:
    found = boot_areas.decide(capture(BOOT0, GP1), THERE, is_wanted=False, capture=NAME)

    assert found.steps == ()
    boot, general, config = found.notes
    assert "boot0 of the board's eMMC (4.0 MiB beside its sectors, from which it may boot)" in boot
    assert "unless --boot-areas is said" in boot
    for command in (
        f"`holdstill get {NAME} boot0.bin`",
        "`echo 0 > /sys/block/mmcblk1boot0/force_ro`",
        "`dd if=boot0.bin of=/dev/mmcblk1boot0 bs=64K conv=fsync`",
        "`echo 1 > /sys/block/mmcblk1boot0/force_ro`",
    ):
        assert command in boot
    assert "gp1 of the board's eMMC (1.0 MiB beside its sectors, for general purposes)" in general
    assert "`dd if=gp1-2.bin of=/dev/mmcblk1gp1 " in general
    assert "force_ro" not in general
    assert "PARTITION_CONFIG" in config


@pytest.mark.parametrize(
    "there",
    [{}, {"boot0": Area(Path("/dev/mmcblk1boot0"), 2 * MIB)}],
    ids=["a card or an image", "too small"],
)
def test_a_target_without_room_is_not_offered_the_option(there: dict[str, Area]) -> None:
    boot, _ = decided(capture(BOOT0), there, is_wanted=False)

    assert "--boot-areas" not in boot
    assert "of=/dev/mmcblkNboot0" in boot


def test_a_capture_without_areas_has_nothing_to_say_and_nothing_to_write() -> None:
    assert decided(capture(), THERE, is_wanted=False) == ()
    with pytest.raises(UsageError, match="has no boot areas"):
        decided(capture(), THERE, is_wanted=True)


def test_those_that_are_asked_for_are_written_last_but_the_table() -> None:
    plan = Plan(
        disk=captured.MBR,
        steps=(ClearTables(), ReadBack(disk=captured.MBR), WriteTable(disk=captured.MBR)),
        notes=("before",),
    )
    found = boot_areas.decide(capture(BOOT0, GP1), THERE, is_wanted=True, capture=NAME)

    whole = boot_areas.with_areas(plan, found)

    assert whole.steps[:2] == plan.steps[:2]
    assert whole.steps[2:4] == (
        PutBootArea(area="boot0", attachment=BOOT0, device="/dev/mmcblk1boot0"),
        PutBootArea(area="gp1", attachment=GP1, device="/dev/mmcblk1gp1"),
    )
    assert whole.steps[4:] == plan.steps[2:]
    assert whole.notes[0] == "before"
    assert "is not known" in whole.notes[1]


@pytest.mark.parametrize(
    ("area", "words"),
    [
        (None, "the target has no boot0 of its own"),
        (Area(Path("/dev/x"), 4 * MIB - 512), "/dev/x is too small by 512 bytes: 4.0 MiB"),
        (Area(Path("/dev/x"), is_locked=True), "/dev/x is locked"),
        (Area(Path("/dev/x"), is_in_use=True), "/dev/x is in use"),
        (Area(Path("/dev/x"), is_guarded_for_good=True), "/dev/x is kept read-only"),
    ],
)
def test_one_that_cannot_be_written_refuses_all(area: Area | None, words: str) -> None:
    there = {"boot0": area, "gp1": THERE["gp1"]} if area else {"gp1": THERE["gp1"]}

    with pytest.raises(TargetRefusedError, match=words) as caught:
        decided(capture(GP1, BOOT0), there, is_wanted=True)

    assert "nothing was written" in caught.value.hint


def test_a_larger_one_will_do() -> None:
    there = {"boot0": Area(Path("/dev/x"), 8 * MIB)}

    found = boot_areas.decide(capture(BOOT0), there, is_wanted=True, capture=NAME)

    assert [step.device for step in found.steps] == ["/dev/x"]


@pytest.mark.parametrize(
    ("config", "words"),
    [
        (None, "is not known: on the board, `mmc extcsd read`"),
        (0x00, "is not known: on the board, `mmc extcsd read`"),
        (0x48, "boots from boot0 (PARTITION_CONFIG 0x48)"),
        (0x10, "boots from boot1 (PARTITION_CONFIG 0x10)"),
        (0x38, "boots from its sectors (PARTITION_CONFIG 0x38)"),
    ],
)
@pytest.mark.parametrize("is_wanted", [True, False])
def test_which_area_is_booted_is_said(config: int | None, words: str, *, is_wanted: bool) -> None:
    made = capture(BOOT0)
    made = replace(made, disk=replace(made.disk, emmc_boot=config))

    *_, said = decided(made, THERE, is_wanted=is_wanted)

    assert words in said
    assert ("`mmc bootpart enable 1 1 /dev/mmcblkN`" in said) is (config == 0x48)
