from __future__ import annotations

import pytest

from holdstill.disks import lvm_reader, lvm_text
from holdstill.errors import LayoutError
from support.recorded_layers import LVM_HEAD

# As `lvs -a -o+lv_uuid` and `pvs -o+pe_start` of the guest said of the recorded group.
ROOT, HOME = "4bwfcu-lr0w-uLQ7-5Fzg-8cJq-9wTN-60ZzTv", "PQ4tEu-RN4u-g6eP-3R0e-mwtd-Dgbn-LAdAQy"
SPARE = "CqU7yQ-KUVY-IF1U-vqzh-s90U-jxbq-9PRI5M"
METADATA = 4096
TEXT_OFFSET = int.from_bytes(LVM_HEAD.read(METADATA + 40, 8), "little")


def test_a_recorded_group_is_read_as_lvm_shows_it() -> None:
    found = lvm_reader.read(LVM_HEAD)

    assert (found.group, found.members) == ("boardvg", 1)
    assert (found.extent_size, found.first_extent) == (4 << 20, 1 << 20)
    assert [(one.name, one.uuid, one.extents) for one in found.volumes] == [
        ("root", ROOT, 17), ("home", HOME, 10), ("spare", SPARE, 5),
    ]  # fmt: skip
    # dmsetup: root is linear in two pieces; home begins at sector 124928, which is extent 15.
    assert [(one.was, one.first) for one in found.volumes] == [
        ("in 2 pieces", -1), ("", 15), ("", 25),
    ]  # fmt: skip
    assert not any(one.obstacle for one in found.volumes)
    assert found.own == found.volumes
    assert found.spanning == ()


@pytest.mark.parametrize(
    ("at", "why"),
    [
        (512 + 40, "label is damaged"),
        (METADATA + 30, "header of LVM's metadata is damaged"),
        (METADATA + TEXT_OFFSET + 50, "its checksum is wrong"),
    ],
)
def test_damage_is_told_and_not_read_past(at: int, why: str) -> None:
    with pytest.raises(LayoutError, match=why):
        lvm_reader.read(LVM_HEAD.changed(at, b"\x99"))


@pytest.mark.parametrize("kind", ["thin", "raid1", "cache", "snapshot", "mirror"])
def test_kinds_that_cannot_be_made_again_are_named(kind: str) -> None:
    segment: lvm_text.Section = {"start_extent": 0, "extent_count": 3, "type": kind}
    section: lvm_text.Section = {"id": ROOT, "status": ["VISIBLE"], "segment1": segment}

    assert lvm_reader.described_volume("data", section).obstacle == kind


def test_a_part_of_another_volume_is_no_volume_to_be_captured() -> None:
    segment: lvm_text.Section = {
        "start_extent": 0, "extent_count": 3, "type": "striped", "stripe_count": 1,
        "stripes": ["pv0", 0],
    }  # fmt: skip
    section: lvm_text.Section = {"id": ROOT, "status": ["READ"], "segment1": segment}

    assert lvm_reader.described_volume("pool_tdata", section).obstacle == "a part of another one"


def test_a_striped_volume_is_said_to_be_one() -> None:
    segment: lvm_text.Section = {
        "start_extent": 0, "extent_count": 4, "type": "striped", "stripe_count": 2,
        "stripe_size": 128, "stripes": ["pv0", 0, "pv1", 0],
    }  # fmt: skip
    section: lvm_text.Section = {"id": ROOT, "status": ["VISIBLE"], "segment1": segment}

    found = lvm_reader.described_volume("fast", section)
    assert (found.was, found.obstacle, found.first) == ("striped over 2", "", -1)
    assert found.physical == ""
