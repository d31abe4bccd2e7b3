from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.disks import boot_gap_writer, raw_writer
from holdstill.disks.boot_gap import GapExtent
from holdstill.errors import SecurityError, TargetRefusedError
from holdstill.model import pieces
from holdstill.model.layout import Disk, Partition, Raw, TableLabel
from holdstill.system import byte_source

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.pieces import Part

KIB, MIB = 1 << 10, 1 << 20
PARTITION = Partition(number=1, start=8192, size=8192, type="c")
MBR = Disk(size=16 * MIB, label=TableLabel.DOS, id="0x5ca1ab1e", partitions=(PARTITION,))
GPT = Disk(size=16 * MIB, label=TableLabel.GPT, table_length=128, partitions=(PARTITION,))


def blank(path: Path, size: int) -> Path:
    with path.open("wb") as file:
        file.truncate(size)
    return path


# Offsets: U-Boot doc/board: rockchip 32 KiB and 8 MiB, allwinner 8 KiB; amlogic from sector 1.
@pytest.mark.parametrize(
    ("disk", "runs"),
    [
        (MBR, [GapExtent(0, b"c" * 440), GapExtent(512, b"amlogic" * 99)]),
        (MBR, [GapExtent(8 * KIB, b"eGON" * 8192)]),
        (GPT, [GapExtent(0, b"c" * 440), GapExtent(32 * KIB, b"RKNS" * 4096)]),
        (msgspec.structs.replace(GPT, entries_lba=4096), [GapExtent(8 * KIB, b"eGON" * 8192)]),
        (MBR, [GapExtent(MIB, b"end" * MIB)]),
    ],
)
def test_loaders_go_back_to_where_they_were(
    tmp_path: Path, disk: Disk, runs: list[GapExtent]
) -> None:
    image = blank(tmp_path / "card.img", disk.size)

    boot_gap_writer.write(image, runs, disk=disk)

    with byte_source.opened(image) as card:
        for run in runs:
            assert card.read(run.offset, len(run.data)) == run.data


@pytest.mark.parametrize(
    ("disk", "run", "what"),
    [
        (MBR, GapExtent(0, b"c" * 441), "the partition table"),
        (MBR, GapExtent(4 * MIB - 1, b"xx"), "partition 1"),
        (MBR, GapExtent(6 * MIB, b"x"), "partition 1"),
        (MBR, GapExtent(16 * MIB - 1, b"xx"), "nothing that the disk has"),
        (MBR, GapExtent(-1, b"x"), "nothing that the disk has"),
        (GPT, GapExtent(512, b"x"), "the partition table"),
        (GPT, GapExtent(8 * KIB, b"x"), "the partition table"),
        (GPT, GapExtent(16 * MIB - 512, b"x"), "the backup table"),
        (msgspec.structs.replace(MBR, label=TableLabel.NONE), GapExtent(0, b"x"), "without a"),
    ],
)
def test_a_run_that_reaches_elsewhere_is_refused_before_anything_is_written(
    tmp_path: Path, disk: Disk, run: GapExtent, what: str
) -> None:
    image = blank(tmp_path / "card.img", disk.size)

    with pytest.raises(SecurityError, match=what):
        boot_gap_writer.write(image, [GapExtent(2 * MIB, b"harmless"), run], disk=disk)

    assert image.stat().st_blocks == 0


def raw_of(content: bytes) -> Raw:
    return Raw(size=len(content), digest=hashlib.sha256(content).hexdigest())


def pieces_of(content: bytes) -> Iterator[tuple[Part, bytes]]:
    """Yield the pieces that are no holes, as a capture gives them."""
    listed = pieces.of_reader(
        len(content), pieces.PIECE, lambda start, count: content[start : start + count]
    )
    for part in listed.parts():
        if part.digest:
            yield part, content[part.offset : part.offset + part.length]


@pytest.mark.parametrize(
    "content",
    [
        bytes(2 * MIB) + b"calibration" * 1000,
        b"calibration" * 1000 + bytes(2 * MIB),
        b"\x01" * 100_000 + bytes(300_000) + b"\x02" * 7,
        bytes(3 * MIB),
    ],
    ids=["zeros-first", "zeros-last", "zeros-inside", "zeros"],
)
def test_a_raw_partition_is_put_back_and_what_is_behind_it_is_wiped(
    tmp_path: Path, content: bytes
) -> None:
    image = tmp_path / "card.img"
    image.write_bytes(b"\xff" * (8 * MIB))

    raw_writer.write(
        image, offset=MIB, size=4 * MIB, parameters=raw_of(content), pieces=pieces_of(content)
    )

    assert image.read_bytes() == (
        b"\xff" * MIB + content.ljust(4 * MIB, b"\0") + b"\xff" * (3 * MIB)
    )


def test_a_raw_partition_does_not_shrink(tmp_path: Path) -> None:
    image, content = blank(tmp_path / "card.img", 8 * MIB), b"x" * (2 * MIB)

    with pytest.raises(TargetRefusedError, match="does not fit"):
        raw_writer.write(
            image, offset=MIB, size=MIB, parameters=raw_of(content), pieces=pieces_of(content)
        )

    assert image.stat().st_blocks == 0
