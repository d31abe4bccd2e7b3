"""Captures of mirrors (md) rebuilt into images, without root, mdadm or a kernel with md.

What is written is judged by mdadm, e2fsck and our own second witness.
"""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from holdstill.disks import md_superblock, partition_table, volumes_on_disk
from holdstill.filesystems.ext4.ext4_reader import Ext4Reader
from holdstill.model.layout import Ext4, Swap
from holdstill.rebuild import compressed_image
from holdstill.rebuild.boot import captured_card
from holdstill.rebuild.boot import card as boot_cards
from holdstill.rebuild.rebuild_target import Existing
from holdstill.records import index_file
from holdstill.system import byte_source
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.verify import card_check
from holdstill.workflow import plan_rebuild
from holdstill.workflow import rebuild as workflow_rebuild
from holdstill.workflow.plan_rebuild import PlanOptions
from holdstill.workflow.rebuild_dependencies import RebuildDependencies
from holdstill.workflow.rebuild_source import RebuildSource
from support import cards, programs
from support.capture_folder import CaptureFolder
from support.contents import FolderContents, a_file, a_folder, in_order
from support.silence import Silent
from tools.test_layers_rebuild import rebuilt
from unit.rebuild.test_mirrors import MEMBER, mirror

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.manifest import Manifest

MIB = 1 << 20
WORDS = b"of the tide" * 200_000


def described(*, version: str, lvm: bool) -> Manifest:
    """Return a board with / on a mirror, or on a logical volume there; no boot partition."""
    whole = mirror(version=version, extents=60, lvm=lvm)
    disk = structs.replace(whole.disk, partitions=whole.disk.partitions[1:], size=700 * MIB)
    parts = []
    for part in whole.parts:
        if isinstance(part.file_system, Ext4):
            seed = "3b6a6c03-fe48-4895-bfdd-22ad336137bf"
            system = structs.replace(part.file_system, hash_seed=seed)
            parts.append(structs.replace(part, mount="/", file_system=system))
        elif part.number != 1:
            parts.append(part)
    return structs.replace(whole, disk=disk, parts=tuple(parts))


@contextmanager
def source(folder: Path, manifest: Manifest) -> Iterator[RebuildSource]:
    contents = FolderContents(folder / "content")
    number = next(part.number for part in manifest.parts if part.mount == "/")
    entries = (
        a_folder(b""), a_folder(b"etc"), a_file(contents, b"readings", WORDS),
        a_file(contents, b"etc/fstab", b"/dev/md/root / ext4 defaults 0 1\n"),
    )  # fmt: skip
    with index_file.created(folder / "index.sqlite") as index:
        index.put_all(number, in_order(entries), seq=1)
    kept = CaptureFolder(folder, manifest, contents)
    with index_file.opened(folder / "index.sqlite") as index:
        yield RebuildSource(kept, manifest, index)


@pytest.mark.parametrize("version", ["1.0", "1.2"])
@pytest.mark.parametrize("lvm", [False, True])
@pytest.mark.parametrize("size", [560 * MIB, 900 * MIB])
def test_a_mirror_comes_back_with_one_member_smaller_and_larger(
    version: str, size: int, tmp_path: Path, *, lvm: bool
) -> None:
    image, manifest = tmp_path / "card.img", described(version=version, lvm=lvm)
    with source(tmp_path, manifest) as made:
        report = rebuilt(image, made, size=size, passphrase=b"")
        checked = card_check.check_card(image, manifest, expected=made.entries)

    assert report.checked_entries == report.entries == checked.entries == 4
    assert checked.differences == ()
    with byte_source.opened(image) as card:
        disk = volumes_on_disk.with_volumes(card, partition_table.read(card))
        (partition,), *_ = (disk.partitions,)
        array, last = disk.volumes[0], disk.volumes[-1]
        assert (array.name, array.uuid, len(disk.volumes)) == (
            "pier-3:root", MEMBER.uuid, 2 if lvm else 1,
        )  # fmt: skip
        (tmp_path / "member").write_bytes(card.read(partition.start * 512, partition.size * 512))
        files = tmp_path / "files"
        files.write_bytes(card.read(last.start * 512, last.size * 512))
        window = card.window(last.start * 512, last.size * 512)
        assert Ext4Reader(window).read(b"readings", limit=8 * MIB) == WORDS
    said = programs.run("mdadm", "--examine", tmp_path / "member").decode()
    assert f"Version : {version}" in said
    assert f"Array UUID : {MEMBER.uuid}" in said
    assert f"Array Size : {array.size // 2} KiB" in said
    programs.run("e2fsck", "-fn", files)


@pytest.mark.parametrize("version", ["1.0", "1.2"])
def test_the_finished_card_has_the_array_by_the_names_it_had(version: str, tmp_path: Path) -> None:
    image, manifest = tmp_path / "card.img", described(version=version, lvm=False)
    with source(tmp_path, manifest) as made:
        rebuilt(image, made, size=700 * MIB, passphrase=b"")
    with byte_source.opened(image) as opened:
        seen = captured_card.looked_into(boot_cards.read_card(opened), manifest, {})

    # Of the member, whose superblock is at its end, the ext4 is not what the board sees.
    assert [(one.number, one.kind) for one in seen.volumes] == [
        (2, "linux_raid_member"), (501, "ext4"),
    ]  # fmt: skip
    for name in ("/dev/md0", "/dev/md/root", f"UUID={seen.volumes[1].uuid}"):
        assert [one.number for one in seen.named(name)] == [501], name


def test_a_member_that_says_something_else_is_found_by_verify(tmp_path: Path) -> None:
    image, manifest = tmp_path / "card.img", described(version="1.2", lvm=False)
    other = structs.replace(MEMBER, name="pier-4:root")
    parts = tuple(
        structs.replace(part, file_system=other) if part.number == 2 else part
        for part in manifest.parts
    )
    with source(tmp_path, manifest) as made:
        rebuilt(image, made, size=700 * MIB, passphrase=b"")
        differs = card_check.check_card(
            image, structs.replace(manifest, parts=parts), expected=made.entries
        )
        with image.open("r+b") as file:
            file.seek(manifest.disk.partitions[0].start * 512 + 4096)
            file.write(bytes(4096))
        gone = card_check.check_card(image, manifest, expected=made.entries)

    assert [one.field for one in differs.differences] == ["name"]
    assert any("no superblock" in str(one) for one in gone.differences)


def test_what_an_older_mirror_said_at_the_end_of_a_partition_is_gone(tmp_path: Path) -> None:
    # blkid, and so a board's own start, would take the new swap for a member of the mirror; those
    # that make file systems with files clear the end themselves.
    whole = described(version="1.0", lvm=False)
    (partition,), (array,) = whole.disk.partitions, whole.disk.volumes
    area = structs.replace(partition, size=64 * 2048)
    system = structs.replace(partition, number=3, start=area.end, size=array.size)
    disk = structs.replace(whole.disk, partitions=(area, system), volumes=())
    swap = Swap(uuid="6f6f7c5e-7f0a-4d9c-8f5e-0f4d3b8e1a11")
    made_of = cards.manifest_of(disk, {2: swap, 3: whole.part(501).file_system})
    parts = tuple(
        structs.replace(part, mount="/" if part.number == 3 else "") for part in made_of.parts
    )
    image, size = tmp_path / "card.img", 700 * MIB
    with (
        source(tmp_path, structs.replace(made_of, parts=parts)) as made,
        compressed_image.claimed_image(image, size=size, existing=Existing.KEEP) as target,
    ):
        machine = LocalRunner()
        plan = plan_rebuild.plan_rebuild(made, size=size, options=PlanOptions(), machine=machine)
        new = plan.disk.partition(2)
        old = structs.replace(MEMBER, version="1.0", first_byte=0)
        at = md_superblock.place("1.0", new.size * 512)
        said = md_superblock.made(old, at=at, size=new.size * 512, content=32 * MIB)
        os.pwrite(target.handle, said, new.start * 512 + at)
        means = RebuildDependencies(machine, SystemClock(), Silent(), lambda: b"")
        workflow_rebuild.carry_out(target, plan, made, means)
    with byte_source.opened(image) as card:
        part = tmp_path / "part"
        part.write_bytes(card.read(new.start * 512, new.size * 512))

    assert programs.attempt("mdadm", "--examine", part).returncode == 1
    kind = programs.run("blkid", "-p", "-o", "value", "-s", "TYPE", part).decode().strip()
    assert kind == "swap"
