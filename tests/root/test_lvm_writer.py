"""LVM's metadata as it is written here, read by LVM itself, without device-mapper."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from holdstill.disks import lvm_reader, lvm_writer
from holdstill.errors import LayoutError
from holdstill.model.layout import LvmPv
from holdstill.rebuild.steps import PlacedPhysical, PlacedVolume
from holdstill.system import byte_source
from support import loop, programs

if TYPE_CHECKING:
    from pathlib import Path

MIB = 1 << 20
PV = LvmPv(
    uuid="2XEORF-yDQ1-yosy-arLo-Mj4j-d1JM-erRFel", group="board-vg",
    group_uuid="lN8uhS-miwU-TD83-WqVq-rZoA-z6R6-rLphMi", extent_size=4 * MIB, first_extent=MIB,
)  # fmt: skip
VOLUMES = (
    PlacedVolume(
        name="root",
        uuid="4bwfcu-lr0w-uLQ7-5Fzg-8cJq-9wTN-60ZzTv",
        first=0,
        extents=17,
        physical=PV.uuid,
    ),
    PlacedVolume(
        name="ho-me",
        uuid="PQ4tEu-RN4u-g6eP-3R0e-mwtd-Dgbn-LAdAQy",
        first=20,
        extents=3,
        physical=PV.uuid,
    ),
)


def alone(size: int) -> tuple[PlacedPhysical, ...]:
    return (PlacedPhysical(uuid=PV.uuid, size=size, first_extent=MIB),)


def lvm(device: Path, *words: str, also: tuple[Path, ...] = ()) -> list[dict[str, str]]:
    """Have LVM report on these devices alone: nothing else of this machine is looked at."""
    taken = "".join(f'"a|^{one}$|",' for one in (device, *also))
    only = f'devices{{filter=[{taken}"r|.*|"] use_devicesfile=0}}'
    settings = f"{only} activation{{udev_sync=0 udev_rules=0}} global{{use_lvmpolld=0}}"
    said = programs.run(
        words[0], "--config", settings, "--reportformat", "json", "--units", "b", *words[1:]
    )
    (report,) = json.loads(said)["report"]
    (rows,) = report.values()
    found: list[dict[str, str]] = rows
    return found


@pytest.mark.parametrize("extent", [MIB, 4 * MIB, 32 * MIB])
def test_lvm_reads_names_ids_and_places(extent: int, tmp_path: Path) -> None:
    image = tmp_path / "pv.img"
    image.touch()
    size = 30 * extent
    os.truncate(image, size)
    kind = structs.replace(PV, extent_size=extent)
    lvm_writer.write(
        image, offset=0, size=size, parameters=kind, members=alone(size), volumes=VOLUMES
    )

    with loop.attached(image) as disk:
        (physical,) = lvm(
            disk.device, "pvs", "-o", "pv_uuid,vg_name,vg_uuid,pe_start,vg_extent_size,dev_size"
        )
        logical = lvm(
            disk.device, "lvs", "-o", "lv_name,lv_uuid,lv_size,seg_pe_ranges,segtype", "-O",
            "-lv_size",
        )  # fmt: skip
        checked = programs.attempt(
            "pvck",
            "--config",
            f'devices{{filter=["a|^{disk.device}$|","r|.*|"] use_devicesfile=0}}',
            disk.device,
        )
        with byte_source.opened(disk.device) as source:
            ours = lvm_reader.read(source)

    assert checked.returncode == 0, checked
    assert physical["pv_uuid"] == PV.uuid
    assert (physical["vg_name"], physical["vg_uuid"]) == (PV.group, PV.group_uuid)
    assert (physical["pe_start"], physical["vg_extent_size"]) == (f"{MIB}B", f"{extent}B")
    assert [(row["lv_name"], row["lv_uuid"], row["lv_size"]) for row in logical] == [
        (one.name, one.uuid, f"{one.extents * extent}B") for one in VOLUMES
    ]
    assert [row["seg_pe_ranges"].partition(":")[2] for row in logical] == ["0-16", "20-22"]
    assert {row["segtype"] for row in logical} == {"linear"}
    assert [(one.name, one.first, one.extents) for one in ours.volumes] == [
        (one.name, one.first, one.extents) for one in VOLUMES
    ]


def test_lvm_goes_on_from_it(tmp_path: Path) -> None:
    """A group that LVM could read and not change would be of no use to a board."""
    image = tmp_path / "pv.img"
    image.touch()
    os.truncate(image, 120 * MIB)
    lvm_writer.write(
        image, offset=0, size=120 * MIB, parameters=PV, members=alone(120 * MIB), volumes=VOLUMES
    )

    with loop.attached(image) as disk:
        only = f'devices{{filter=["a|^{disk.device}$|","r|.*|"] use_devicesfile=0}}'
        programs.run("vgchange", "--config", only, "--addtag", "changed", PV.group)
        (row,) = lvm(disk.device, "vgs", "-o", "vg_tags,vg_seqno,lv_count")
        with byte_source.opened(disk.device) as source:
            ours = lvm_reader.read(source)

    assert row == {"vg_tags": "changed", "vg_seqno": "2", "lv_count": "2"}
    assert [one.name for one in ours.volumes] == ["root", "ho-me"]


def test_lvm_reads_a_group_on_two_physical_volumes(tmp_path: Path) -> None:
    second = structs.replace(
        PV, uuid="CqU7yQ-KUVY-IF1U-vqzh-s90U-jxbq-9PRI5M", first_extent=2 * MIB
    )
    sizes = {PV: 80 * MIB, second: 40 * MIB}
    members = tuple(
        PlacedPhysical(uuid=one.uuid, size=size, first_extent=one.first_extent)
        for one, size in sizes.items()
    )
    volumes = (VOLUMES[0], structs.replace(VOLUMES[1], first=0, physical=second.uuid))
    images = []
    for number, (one, size) in enumerate(sizes.items()):
        images.append(loop.blank_image(tmp_path / f"{number}.img", size=size))
        lvm_writer.write(
            images[-1], offset=0, size=size, parameters=one, members=members, volumes=volumes
        )

    with loop.attached(images[0]) as first, loop.attached(images[1]) as other:
        rows = lvm(
            first.device, "lvs", "-o", "lv_name,seg_pe_ranges,lv_health_status", "-O", "-lv_size",
            also=(other.device,),
        )  # fmt: skip
        (group,) = lvm(
            first.device, "vgs", "-o", "pv_count,vg_missing_pv_count,vg_extent_count",
            also=(other.device,),
        )  # fmt: skip
        with byte_source.opened(other.device) as source:
            ours = lvm_reader.read(source)

    assert rows == [
        {"lv_name": "root", "seg_pe_ranges": f"{first.device}:0-16", "lv_health_status": ""},
        {"lv_name": "ho-me", "seg_pe_ranges": f"{other.device}:0-2", "lv_health_status": ""},
    ]
    assert group == {"pv_count": "2", "vg_missing_pv_count": "0", "vg_extent_count": "28"}
    assert ([one.name for one in ours.own], ours.spanning) == (["ho-me"], ())


def test_a_group_without_room_for_metadata_is_refused(tmp_path: Path) -> None:
    image = tmp_path / "pv.img"
    image.touch()
    os.truncate(image, 20 * MIB)
    narrow = structs.replace(PV, first_extent=8192)

    many = [structs.replace(VOLUMES[0], name=f"v{number}") for number in range(40)]

    with pytest.raises(LayoutError, match="leaves 4096 bytes"):
        lvm_writer.write(
            image,
            offset=0,
            size=20 * MIB,
            parameters=narrow,
            members=alone(20 * MIB),
            volumes=many,
        )
    assert not any(image.read_bytes())
