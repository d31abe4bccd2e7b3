"""The superblock that is written into a member of a mirror, as mdadm and blkid read it."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from holdstill.disks import array_writer, md_superblock
from holdstill.errors import LayoutError
from holdstill.model.layout import ArrayMember
from support import programs

if TYPE_CHECKING:
    from pathlib import Path

MIB = 1 << 20
UUID = "66863cc6:b8336585:7de1d0c3:898c955d"


def member(version: str) -> ArrayMember:
    return ArrayMember(
        uuid=UUID, name="pier-3:root", version=version, members=2,
        first_byte=0 if version == "1.0" else MIB,
    )  # fmt: skip


@pytest.mark.parametrize("version", ["1.0", "1.1", "1.2"])
def test_mdadm_finds_a_clean_mirror_with_one_member(version: str, tmp_path: Path) -> None:
    image = tmp_path / "member"
    image.touch()
    os.truncate(image, 64 * MIB)
    # As the content of an array of 1.0 would be: at both ends of it, and not to be touched.
    content, first = 60 * MIB, member(version).first_byte
    with image.open("r+b") as file:
        for at in (first, first + content - 512):
            file.seek(at)
            file.write(b"tide" * 128)

    array_writer.write(image, offset=0, size=64 * MIB, content=content, parameters=member(version))

    said = programs.run("mdadm", "--examine", image).decode()
    lines = {
        key.strip(): value.strip()
        for key, colon, value in (line.partition(" : ") for line in said.splitlines())
        if colon
    }
    assert lines["Version"] == version
    assert lines["Array UUID"] == UUID
    assert lines["Name"].startswith("pier-3:root")
    assert (lines["Raid Level"], lines["Raid Devices"]) == ("raid1", "2")
    assert lines["State"] == "clean"
    assert lines["Checksum"].endswith("- correct")
    assert lines["Device Role"] == "Active device 0"
    assert lines["Array State"].startswith("A. ")
    assert lines["Array Size"].startswith(f"{content // 1024} KiB")
    kind = programs.run("blkid", "-p", "-o", "value", "-s", "TYPE", image).decode().strip()
    assert kind == "linux_raid_member"
    with image.open("rb") as file:
        for at in (first, first + content - 512):
            file.seek(at)
            assert file.read(512) == b"tide" * 128


@pytest.mark.parametrize("old", ["1.0", "1.2"])
def test_an_older_superblock_elsewhere_is_gone(old: str, tmp_path: Path) -> None:
    image = tmp_path / "member"
    image.touch()
    os.truncate(image, 64 * MIB)
    at = md_superblock.place(old, 64 * MIB)
    own = md_superblock.made(member(old), at=at, size=64 * MIB, content=60 * MIB)
    with image.open("r+b") as file:
        file.seek(at)
        file.write(own)

    array_writer.write(image, offset=0, size=64 * MIB, content=60 * MIB, parameters=member("1.1"))

    assert "Version : 1.1" in programs.run("mdadm", "--examine", image).decode()


@pytest.mark.parametrize("version", ["1.0", "1.2"])
def test_content_that_leaves_no_room_is_refused(version: str, tmp_path: Path) -> None:
    image = tmp_path / "member"
    image.touch()
    os.truncate(image, 64 * MIB)

    with pytest.raises(LayoutError, match="no room"):
        array_writer.write(
            image, offset=0, size=64 * MIB, content=64 * MIB, parameters=member(version)
        )
    assert programs.attempt("mdadm", "--examine", image).returncode == 1
