"""Layouts that no card has, from a board that was broken into: refused, or planned, in words."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import HoldstillError
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import manifest_check
from holdstill.model.layout import Other, Partition, Raw, Swap
from holdstill.model.sizes import MIB
from holdstill.system.process import LocalRunner
from holdstill.workflow import plan_rebuild, rebuild_source
from holdstill.workflow.plan_rebuild import PlanOptions
from support import captured, keeping
from support.keeping import PIER_3, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.layout import Disk, FileSystem
    from holdstill.model.manifest import Manifest
    from holdstill.workflow.rebuild_source import RebuildSource

NUMBERS = (0, -1, 1, 3, 7, 513, 65535, 1 << 31, (1 << 32) - 1, 1 << 60, (1 << 63) - 1)
PART = 2
SMALL = msgspec.structs.replace(captured.EXT4, blocks=16_384, inodes=4096)
SLOT = Partition(number=PART, start=8192, size=131_072, type="83")
KINDS: dict[str, FileSystem] = {
    "ext4": SMALL,
    "fat": msgspec.structs.replace(captured.FAT, sectors=131_072, clusters=16_000, bits=16),
    "swap": Swap(uuid=captured.SWAP_UUID),
    "raw": Raw(),
    "other": Other(type="xfs"),
}


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RebuildSource]:
    """Hold a capture of one partition, number 2, open for a rebuild."""
    folder: Path = tmp_path_factory.mktemp("hostile")
    clock = FakeClock()
    store = keeping.make_store(folder / "boathouse", clock=clock)
    files = {b"etc/hostname": b"pier-3\n", b"srv/readings": b"r" * 9000}
    keeper = keeping.keeper_of(store, clock=clock)
    name = Board(keeper, clock=clock, files=files).capture().name
    capture = BoardCaptures(store, PIER_3, FakeSignatures()).capture(name)
    with rebuild_source.opened(capture) as opened:
        yield opened


def of(source: RebuildSource, file_system: FileSystem, *, size: int = 128 * MIB) -> Manifest:
    """Return the capture's manifest with another file system on a card of one partition."""
    disk = msgspec.structs.replace(captured.MBR, size=size, partitions=(SLOT,))
    part = msgspec.structs.replace(source.manifest.parts[0], file_system=file_system)
    return msgspec.structs.replace(source.manifest, disk=disk, parts=(part,), gap=None)


def outcome(source: RebuildSource, manifest: Manifest, *, size: int | None = None) -> str:
    """Return what becomes of a rebuild: "planned", or which kind of word refuses it."""
    if manifest_check.complaints(manifest):
        return "no manifest"
    try:
        plan_rebuild.plan_rebuild(
            replace(source, manifest=manifest),
            size=manifest.disk.size if size is None else size,
            options=PlanOptions(),
            machine=LocalRunner(),
        )
    except HoldstillError as error:
        return type(error).__name__
    return "planned"


def numbers_of(record: msgspec.Struct) -> Iterator[str]:
    for name in record.__struct_fields__:
        value: object = getattr(record, name)
        if isinstance(value, int) and not isinstance(value, bool):
            yield name


@pytest.mark.parametrize("kind", ["ext4", "fat", "swap", "raw"])
def test_what_cards_have_is_planned(source: RebuildSource, kind: str) -> None:
    assert outcome(source, of(source, KINDS[kind])) == "planned"


@pytest.mark.parametrize(
    ("kind", "name"), [(kind, name) for kind, fs in KINDS.items() for name in numbers_of(fs)]
)
@pytest.mark.parametrize("size", [None, 256 * MIB])
def test_each_number_of_a_file_system_is_planned_with_or_refused_in_words(
    source: RebuildSource, kind: str, name: str, size: int | None
) -> None:
    found = [
        outcome(source, of(source, msgspec.structs.replace(KINDS[kind], **{name: x})), size=size)
        for x in NUMBERS
    ]

    assert found[NUMBERS.index(-1)] == "no manifest" or name == "max_mount_count"
    assert found[NUMBERS.index((1 << 63) - 1)] == "no manifest"


@pytest.mark.parametrize("name", list(numbers_of(captured.MBR)))
@pytest.mark.parametrize("kind", ["ext4", "fat"])
@pytest.mark.parametrize("base", [captured.MBR, captured.GPT], ids=["mbr", "gpt"])
def test_each_number_of_a_disk_is_planned_with_or_refused_in_words(
    source: RebuildSource, kind: str, name: str, base: Disk
) -> None:
    slot = next(slot for slot in base.partitions if slot.number == PART)
    slot = msgspec.structs.replace(slot, start=SLOT.start, size=SLOT.size)
    whole = msgspec.structs.replace(base, size=128 * MIB, partitions=(slot,))
    for number in NUMBERS:
        disk = msgspec.structs.replace(whole, **{name: number})
        manifest = msgspec.structs.replace(of(source, KINDS[kind]), disk=disk)
        outcome(source, manifest, size=256 * MIB)
        outcome(source, manifest)


@pytest.mark.parametrize("name", ["start", "size"])
@pytest.mark.parametrize("kind", ["ext4", "fat", "swap"])
def test_each_number_of_a_partition_is_planned_with_or_refused_in_words(
    source: RebuildSource, kind: str, name: str
) -> None:
    for number in NUMBERS:
        slot = msgspec.structs.replace(SLOT, **{name: number})
        manifest = of(source, KINDS[kind])
        disk = msgspec.structs.replace(manifest.disk, partitions=(slot,))
        outcome(source, msgspec.structs.replace(manifest, disk=disk), size=256 * MIB)


@pytest.mark.parametrize(
    ("kind", "changes", "said"),
    [
        ("fat", {"bits": 65535}, r"file_system\.bits: expected one of 12, 16, 32; found 65535"),
        ("fat", {"sectors_per_cluster": 0}, r"sectors_per_cluster: expected one of 1, 2, 4, 8"),
        ("fat", {"sector_size": 511}, r"sector_size: expected one of 512, 1024, 2048, 4096"),
        ("ext4", {"block_size": 4095}, r"block_size: expected one of 1024, 2048, 4096"),
        ("ext4", {"inode_size": 8192}, r"inode_size: expected no more than a block"),
        ("ext4", {"blocks": 0}, r"blocks: expected a whole number from 1 to 281474976710655"),
        ("swap", {"page_size": 1}, r"page_size: expected one of 4096, 8192"),
    ],
)
def test_what_is_wrong_is_said_with_its_key_and_what_there_could_be(
    source: RebuildSource, kind: str, changes: dict[str, int], said: str
) -> None:
    manifest = of(source, msgspec.structs.replace(KINDS[kind], **changes))

    (complaint,) = manifest_check.complaints(manifest)

    assert complaint.startswith("parts[0].file_system.")
    assert re.search(said, complaint)


def test_a_disk_without_a_signature_and_a_type_that_is_none_are_refused(
    source: RebuildSource,
) -> None:
    disk = msgspec.structs.replace(
        captured.MBR, id="../x", partitions=(msgspec.structs.replace(SLOT, type="ext4"),)
    )

    found = manifest_check.complaints(msgspec.structs.replace(of(source, SMALL), disk=disk))

    assert [line.split(":")[0] for line in found] == ["disk.id", "disk.partitions"]
