"""Names by which the kernel and fstab know disks, partitions and file systems."""

from __future__ import annotations

import pytest

from holdstill.model.layout import Disk, Fat, Partition, TableLabel


def fat(volume_id: int) -> Fat:
    return Fat(
        bits=32, volume_id=volume_id, sectors_per_cluster=8, reserved_sectors=32, sectors=1,
        clusters=1,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("volume_id", "text"), [(0xA40D85E7, "A40D-85E7"), (0, "0000-0000"), (0xF, "0000-000F")]
)
def test_a_fat_is_known_by_its_volume_id_in_upper_case(volume_id: int, text: str) -> None:
    assert fat(volume_id).uuid == text


def test_a_partition_is_found_by_its_slot() -> None:
    parts = (
        Partition(number=2, start=10, size=5, type="83"),
        Partition(number=5, start=20, size=7, type="82", uuid="ABCD"),
    )
    disk = Disk(size=1 << 20, label=TableLabel.GPT, partitions=parts)

    assert disk.partition(5).end == 27
    assert disk.partuuid(5) == "abcd"
    with pytest.raises(KeyError):
        disk.partition(1)
