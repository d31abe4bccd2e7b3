"""A mount that is read-only while its file system is written to by another one: held still.

The kernel is the judge: what one program writes in turn has to be of one instant.
"""

from __future__ import annotations

import json
import subprocess
import uuid
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
WRITER = (
    'cd "$0" || exit; i=0; while i=$((i+1)); do for name in first second; do '
    "echo $i > new && mv new $name; done; sleep 0.01; done"
)


@contextmanager
def board(folder: Path, kind: str) -> Iterator[Path]:
    """Hold a board with a read-only root, of whose file system /var can be written."""
    image = loop.partitioned_image(folder / "card.img", size=300 * MIB, script=boards.MBR)
    with loop.attached(image) as disk, ExitStack() as undo:
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", disk.partition(1))
        boards.fill_boot(disk.partition(1), folder)
        device = disk.partition(2)
        own = ("-U", str(uuid.uuid4())) if kind == "btrfs" else ()
        programs.run(f"mkfs.{kind}", "-q", *own, device)
        with loop.mounted(device, folder / "top") as top:
            if kind == "btrfs":
                programs.run("btrfs", "subvolume", "create", top / "@")
                programs.run("btrfs", "subvolume", "create", top / "@var")
            root = top / "@" if kind == "btrfs" else top
            (root / "etc").mkdir()
            (root / "etc/fstab").touch()
            (root / "var").mkdir()
        if kind == "btrfs":
            at = undo.enter_context(loop.mounted(device, folder / "root", options="ro,subvol=@"))
            undo.enter_context(loop.mounted(device, at / "var", options="rw,subvol=@var"))
        else:
            at = undo.enter_context(loop.mounted(device, folder / "root"))
            programs.run("mount", "-o", "bind,private", at / "var", at / "var")
            undo.callback(programs.run, "umount", at / "var")
            programs.run("mount", "-o", "remount,bind,ro", at)
        undo.enter_context(loop.thaw_guard(at / "var", seconds=60))
        yield at


@pytest.mark.parametrize("kind", ["btrfs", "ext4"])
def test_it_is_of_one_instant_all_the_same(tmp_path: Path, kind: str) -> None:
    with (
        board(tmp_path, kind) as root,
        boards.kept_nearby(tmp_path, root) as kept,
        subprocess.Popen(["/bin/sh", "-c", WRITER, str(root / "var")]) as writer,
    ):
        try:
            words = ("capture", "--settings", kept.settings, "--json")
            reports = [json.loads(holdstill(*words)) for _ in range(3)]
        finally:
            writer.kill()
        pairs = []
        for seq in (1, 2, 3):
            pair = []
            for name in ("first", "second"):
                to = tmp_path / f"{seq}-{name}"
                file = (f"pier-3/{seq}", f"/var/{name}")
                holdstill("get", *file, "--to", to, "--store", kept.store)
                pair.append(int(to.read_text()))
            pairs.append(pair)

    for report in reports:
        grades = {part["grade"] for part in report["parts"] if part["kind"] != "fat"}
        assert grades == {"point-in-time"}
        assert report["frozen_ms"] > 0
    assert all(first - second in {0, 1} for first, second in pairs), pairs
    assert pairs[0] < pairs[1] < pairs[2]
