"""The check of a card against a tortured tree, as the kernel showed it while it was mounted."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from holdstill.filesystems.fat import fat_reader
from holdstill.filesystems.file_tree import Content
from holdstill.system import byte_source
from holdstill.verify import card_check
from support import cards, edge_case_tree, loop, programs, reference_reader

if TYPE_CHECKING:
    from pathlib import Path

SCRIPT = """\
label: gpt
start=8192, size=131072, type=uefi, name="boot"
start=139264, size=393216, type=linux, name="root"
"""


@pytest.mark.timeout(120)
def test_a_card_is_exactly_what_the_kernel_showed(tmp_path: Path) -> None:
    image = loop.partitioned_image(tmp_path / "card.img", size=272 << 20, script=SCRIPT)
    with loop.attached(image) as disk:
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", disk.partition(1))
        programs.run("mke2fs", "-q", "-t", "ext4", disk.partition(2))
        with loop.mounted(disk.partition(2), tmp_path / "mnt") as at:
            edge_case_tree.build(at)
            (at / os.fsdecode(edge_case_tree.HUGE)).unlink()  # seconds of zeroes
        with loop.mounted(disk.partition(2), tmp_path / "mnt", options="ro") as at:
            seen = reference_reader.entries(at)
    table = cards.table_of(image)
    with byte_source.opened(image) as opened:
        boot = list(
            fat_reader.FatReader(opened.window(8192 * 512, 131072 * 512)).entries(Content.HASHED)
        )
    manifest = cards.manifest_of(table, cards.file_systems_of(image, table, raw={}))

    report = card_check.check_card(
        image, manifest, disk=table, expected={1: boot, 2: seen}.__getitem__, gap=[]
    )

    assert report.differences == ()
    assert report.entries == len(seen) + 1
