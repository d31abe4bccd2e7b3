"""One verdict on a boot, wherever it is asked for: of roots that only the kernel can read."""

from __future__ import annotations

import json
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from support import boards, boot_card, squashfs_board
from support.boards import holdstill
from support.loop import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from support.boards import Board, Nearby

pytestmark = pytest.mark.timeout(240)
BROKEN, NEEDS_A_LOOK = 7, 8
LINKER = "usr/lib/ld-linux-aarch64.so.1"


def put_system(root: Path, *gone: str) -> None:
    """Put a system into a root, but for what is gone."""
    for name, content in boot_card.SYSTEM.items():
        if name not in {"etc/fstab", *gone}:
            (root / name).parent.mkdir(parents=True, exist_ok=True)
            (root / name).write_bytes(content)
            (root / name).chmod(0o755)
    for name, to in boot_card.LINKS.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).symlink_to(to)


@contextmanager
def captured(folder: Path, *gone: str) -> Iterator[tuple[Board, Nearby]]:
    """Hold a board with an xfs root, and a capture of it."""
    with boards.running(folder, size=400 * MIB, kind="xfs") as board:
        squashfs_board.put_firmware(board.disk.partition(1), folder)
        put_system(board.root, *gone)
        fstab = board.root / "etc/fstab"
        fstab.write_text(fstab.read_text("ascii").replace("ext4", "xfs"), encoding="ascii")
        with boards.kept_nearby(folder, board.root) as kept:
            holdstill("capture", "--settings", kept.settings)
            yield board, kept


def verdict_in_list(kept: Nearby) -> str:
    (brief,) = json.loads(holdstill("list", "--store", kept.store, "--json"))["boards"]["pier-3"]
    return str(brief["boot"]["verdict"])


@pytest.mark.parametrize("sibling", [(), ("--as", "pier-4")])
def test_a_rebuilt_xfs_root_is_judged_as_its_capture_is(
    tmp_path: Path, sibling: tuple[str, ...]
) -> None:
    image = tmp_path / "new.img"
    with captured(tmp_path, LINKER) as (_, kept):
        store = ("--store", kept.store)
        listed = verdict_in_list(kept)
        holdstill("bootcheck", "pier-3", *store, accepted=[BROKEN])
        words = ("rebuild", "pier-3", image, *sibling, *store)
        said = json.loads(holdstill(*words, "--json", accepted=[NEEDS_A_LOOK]))
        text = holdstill(*words, "--replace", accepted=[NEEDS_A_LOOK]).decode()

    assert (listed, said["boot"]) == ("broken", "broken")
    assert ["dynamic linker" in trouble for trouble in said["boot_trouble"]] == [True]
    assert "Every link of a boot chain" not in text
    assert "/lib/ld-linux-aarch64.so.1, which init needs" in " ".join(text.split())


def test_a_finished_xfs_root_is_not_known_and_with_its_capture_it_is_whole(tmp_path: Path) -> None:
    image = tmp_path / "new.img"
    with captured(tmp_path) as (_, kept):
        store = ("--store", kept.store)
        listed = verdict_in_list(kept)
        followed = json.loads(holdstill("bootcheck", "pier-3", *store, "--json"))
        said = json.loads(holdstill("rebuild", "pier-3", image, *store, "--json"))
        alone = json.loads(holdstill("bootcheck", image, "--json"))

    assert (listed, followed["verdict"], said["boot"]) == ("whole", "whole", "whole")
    assert said["boot_trouble"] == []
    assert alone["verdict"] == "unknown"


def test_nobody_promises_that_a_squashfs_boots_which_nobody_looked_into(tmp_path: Path) -> None:
    """A squashfs is captured as it is: its files are in no index."""
    image = tmp_path / "new.img"
    with (
        squashfs_board.running(tmp_path) as board,
        boards.kept_nearby(tmp_path, board.root) as kept,
    ):
        holdstill("capture", "--settings", kept.settings)
        store = ("--store", kept.store)
        listed = verdict_in_list(kept)
        text = holdstill("list", *store).decode()
        shown = holdstill("show", "pier-3", *store).decode()
        followed = holdstill("bootcheck", "pier-3", *store).decode()
        rebuilt = holdstill("rebuild", "pier-3", image, *store).decode()

    assert listed == "unknown"
    assert "should boot" not in text + shown
    assert "A card made of it: not known" in shown
    assert "verdict: not known" in followed
    assert "Whether it boots is not known" in rebuilt
    assert "partition 2 is squashfs, whose files only the kernel reads" in " ".join(
        rebuilt.split()
    )
