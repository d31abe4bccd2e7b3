"""A swap file in use comes back with its label and UUID, empty, and ready to be used again."""

from __future__ import annotations

import json
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

import pytest

from support import boards, loop, programs
from support.boards import holdstill
from support.loop import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.timeout(180)
SIZE = 4 * MIB
SCRIPT = boards.MBR.replace("start=90112, type=83", f"start=90112, size={300 * 2048}, type=83")


@contextmanager
def swapping(file: Path) -> Iterator[str]:
    """Hold a swap file in use; return its UUID."""
    file.touch(mode=0o600)
    programs.attempt("chattr", "+C", file)  # a btrfs swaps to nothing that is copied on write
    programs.run("fallocate", "--length", str(SIZE), file)
    programs.run("mkswap", "--label", "spare", file)
    programs.run("swapon", file)
    try:
        words = ("blkid", "--probe", "--match-tag", "UUID", "--output", "value", file)
        yield programs.run(*words).decode().strip()
    finally:
        programs.run("swapoff", file)


@pytest.mark.parametrize("kind", ["ext4", "btrfs"])
def test_a_swap_file_is_ready_on_a_rebuilt_card(tmp_path: Path, kind: str) -> None:
    image = loop.partitioned_image(tmp_path / "card.img", size=360 * MIB, script=SCRIPT)
    options = "subvol=@" if kind == "btrfs" else "defaults"
    with ExitStack() as undo:
        disk = undo.enter_context(loop.attached(image))
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", disk.partition(1))
        programs.run(f"mkfs.{kind}", "-q", disk.partition(2))
        if kind == "btrfs":
            with loop.mounted(disk.partition(2), tmp_path / "top") as top:
                programs.run("btrfs", "subvolume", "create", top / "@")
        root = undo.enter_context(
            loop.mounted(disk.partition(2), tmp_path / "root", options=options)
        )
        undo.enter_context(loop.thaw_guard(root, seconds=60))
        kept = undo.enter_context(boards.kept_nearby(tmp_path, root))
        with swapping(root / "swapfile") as uuid:
            holdstill("capture", "--settings", kept.settings)
        undo.callback(lambda: None)
        shown = json.loads(holdstill("show", "pier-3", "--store", kept.store, "--json"))
    rebuilt = tmp_path / "rebuilt.img"
    words = ("rebuild", "pier-3", rebuilt, "--store", kept.store)
    holdstill(*words, accepted=[boards.NO_KERNEL])

    (swap,) = shown["swap_files"]
    assert (swap["uuid"], swap["label"], swap["page_size"]) == (uuid, "spare", 4096)
    with (
        loop.attached(rebuilt) as made,
        loop.mounted(made.partition(2), tmp_path / "again", options=options) as again,
    ):
        file = again / "swapfile"
        told = programs.run("blkid", "--probe", "--output", "export", file).decode()
        assert {f"UUID={uuid}", "LABEL=spare", "TYPE=swap"} <= set(told.split())
        programs.run("swapon", file)
        programs.run("swapoff", file)
