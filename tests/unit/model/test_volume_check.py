"""What a manifest may say of volumes: it ends in LVM's metadata and in cryptsetup's arguments."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from holdstill.model import manifest_check
from holdstill.model.layout import ArrayMember, Luks, LvmPv, Raw, Volume
from holdstill.model.sizes import MIB
from holdstill.records import manifest_file
from unit.rebuild.test_layers import LUKS, PV, with_lvm
from unit.rebuild.test_mirrors import MEMBER, mirror

if TYPE_CHECKING:
    from holdstill.model.manifest import Manifest


def changed(captured: Manifest, of_number: int, /, **fields: object) -> Manifest:
    """Return a manifest whose volume has other fields."""
    volumes = tuple(
        structs.replace(volume, **fields) if volume.number == of_number else volume
        for volume in captured.disk.volumes
    )
    return structs.replace(captured, disk=structs.replace(captured.disk, volumes=volumes))


def of_kind(captured: Manifest, system: LvmPv | Luks | ArrayMember) -> Manifest:
    """Return a manifest whose part of that kind is another."""
    parts = tuple(
        structs.replace(part, file_system=system)
        if type(part.file_system) is type(system)
        else part
        for part in captured.parts
    )
    return structs.replace(captured, parts=parts)


@pytest.mark.parametrize("luks", [0, 16 * MIB])
def test_boards_as_they_are_make_sense_and_come_back_from_yaml(luks: int) -> None:
    captured = with_lvm(luks=luks)

    assert manifest_check.complaints(captured) == []
    assert manifest_file.decode(manifest_file.encode(captured)) == captured


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"number": 1}, "no number of a volume"),
        ({"number": 128}, "no number of a volume"),
        ({"of": 7}, "does not stand before it"),
        ({"of": 503}, "does not stand before it"),
        ({"grain": 0}, "grain: expected 1 or more"),
        ({"name": "-f"}, "no name of a logical volume"),
        ({"name": 'a"\n}'}, "no name of a logical volume"),
        ({"group": ".."}, "no name of a logical volume"),
        ({"uuid": "x"}, "no id of LVM"),
        ({"group": "", "name": "../sda"}, "no name of a mapping"),
    ],
)
def test_volumes_that_cannot_be_are_complained_of(fields: dict[str, object], why: str) -> None:
    found = manifest_check.complaints(changed(with_lvm(), 502, **fields))

    assert any(why in line for line in found), found


@pytest.mark.parametrize(
    ("system", "why"),
    [
        (structs.replace(PV, uuid="--yes"), "expected ids"),
        (structs.replace(PV, group="a b"), "no name of a volume group"),
        (structs.replace(PV, extent_size=3 * MIB), "power of two"),
        (structs.replace(PV, extent_size=0), "power of two"),
        (structs.replace(PV, first_extent=1 << 40), "first_extent"),
        (structs.replace(LUKS, version=3), "version"),
        (structs.replace(LUKS, uuid="--header=/etc/shadow"), "no UUID"),
        (structs.replace(LUKS, label="a\nb"), "label"),
        (structs.replace(LUKS, cipher="--key-file"), "no name of a cipher"),
        (structs.replace(LUKS, hash="--x"), "no name of a cipher or hash"),
        (structs.replace(LUKS, kdf="none"), "no way to make keys"),
        (structs.replace(LUKS, sector_size=0), "sector_size"),
        (structs.replace(LUKS, first_byte=1 << 40), "first_byte"),
        (structs.replace(LUKS, kdf_memory=1 << 40), "kdf_memory"),
        (structs.replace(LUKS, tokens=("clevis", "a\nb")), "tokens"),
        (structs.replace(LUKS, tokens=("x",) * 33), "tokens"),
    ],
)
def test_containers_that_cannot_be_are_complained_of(system: LvmPv | Luks, why: str) -> None:
    found = manifest_check.complaints(of_kind(with_lvm(luks=16 * MIB), system))

    assert any(why in line for line in found), found


@pytest.mark.parametrize(
    ("system", "why"),
    [
        (structs.replace(MEMBER, uuid="66863cc6-b833-6585-7de1-d0c3898c955d"), "no id of an"),
        (structs.replace(MEMBER, name="pier-3:root\n"), "no name of an array"),
        (structs.replace(MEMBER, name="../sda"), "no name of an array"),
        (structs.replace(MEMBER, name="x" * 33), "no name of an array"),
        (structs.replace(MEMBER, version="0.90"), "version"),
        (structs.replace(MEMBER, members=0), "members"),
        (structs.replace(MEMBER, members=1 << 32), "members"),
        (structs.replace(MEMBER, first_byte=-512), "first_byte"),
        (structs.replace(MEMBER, first_byte=1000), "first_byte"),
    ],
)
def test_members_of_arrays_that_cannot_be_are_complained_of(system: ArrayMember, why: str) -> None:
    found = manifest_check.complaints(of_kind(mirror(), system))

    assert any(why in line for line in found), found


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"array": "sda"}, "no name of an array"),
        ({"array": "md0/../sda"}, "no name of an array"),
        ({"uuid": ""}, "no id of an array"),
        ({"behind": -1}, "behind"),
        ({"behind": 1 << 40}, "behind"),
        ({"array": "", "uuid": ""}, "has no content, or several"),
        ({"group": "board-vg"}, "no name of an array"),
    ],
)
def test_contents_of_arrays_that_cannot_be_are_complained_of(
    fields: dict[str, object], why: str
) -> None:
    found = manifest_check.complaints(changed(mirror(version="1.0"), 501, **fields))

    assert any(why in line for line in found), found


def test_mirrors_come_back_from_yaml() -> None:
    captured = mirror(version="1.0", lvm=True)

    assert manifest_file.decode(manifest_file.encode(captured)) == captured


def test_a_container_has_one_volume_and_each_volume_a_part() -> None:
    captured = with_lvm(luks=16 * MIB)
    second = Volume(number=510, of=2, start=1, size=1)
    more = structs.replace(captured.disk, volumes=(*captured.disk.volumes, second))
    found = manifest_check.complaints(structs.replace(captured, disk=more))

    assert "parts: the encrypted container 2 has 2 volumes, not one" in found
    assert "disk.volumes: 510 is not among the parts" in found


def test_a_capture_says_that_it_holds_what_was_encrypted() -> None:
    captured = with_lvm(luks=16 * MIB)

    def holding(number: int, luks: Manifest, **fields: object) -> Manifest:
        parts = tuple(
            structs.replace(part, **fields) if part.number == number else part
            for part in luks.parts
        )
        return structs.replace(luks, parts=parts)

    assert not captured.in_clear
    assert holding(503, captured, entries=1).in_clear
    assert holding(503, captured, file_system=Raw(digest="ab" * 32, size=1)).in_clear
    assert not holding(1, captured, entries=1).in_clear
    assert not holding(502, with_lvm(), entries=1).in_clear
