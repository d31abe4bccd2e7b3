"""A mount that is read-only while its file system is written to by another one: held still.

The kernel is the judge: what one program writes in turn has to be of one instant.
"""

from __future__ import annotations

import json
import subprocess
import tempfile
import uuid
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from support import boards, loop, programs
from support.boards import holdstill
from support.loop import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator

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


def test_what_is_made_writable_before_the_pause_is_held_still_too(tmp_path: Path) -> None:
    """An updater of a board with read-only partitions does that."""
    script = boards.MBR.replace("start=90112, type=83", "start=90112, size=163840, type=83")
    with (
        tempfile.TemporaryDirectory(dir="/run") as trusted,
        boards.running(tmp_path, script=f"{script}start=262144, type=83\n") as live,
    ):
        device = live.disk.partition(3)
        programs.run("mkfs.ext4", "-q", device)
        with loop.mounted(device, tmp_path / "before") as before:
            for name in ("first", "second"):
                (before / name).write_text("0\n")
        data = live.root / "data"
        with loop.mounted(device, data, options="ro"), loop.thaw_guard(data, seconds=60):
            hook = Path(trusted) / "update"
            hook.write_text(f"#!/bin/sh\nexec mount -o remount,rw {data}\n", encoding="ascii")
            hook.chmod(0o755)
            more = f"hooks: [{{name: u, how: command, quiesce: [{hook}], resume: [/bin/true]}}]\n"
            with (
                boards.kept_nearby(tmp_path, live.root, more=more) as kept,
                written_to(data),
            ):
                said = holdstill("capture", "--settings", kept.settings, "--json")
            numbers = []
            for name in ("first", "second"):
                taken = tmp_path / name
                holdstill("get", "pier-3", f"/data/{name}", "--to", taken, "--store", kept.store)
                numbers.append(int(taken.read_text()))
    assert 0 <= numbers[0] - numbers[1] <= 1
    assert json.loads(said)["frozen_ms"] > 0


@contextmanager
def written_to(data: Path) -> Iterator[None]:
    """Hold a program writing to a folder as soon and as long as that can be done."""
    words = ["sh", "-c", WRITER.replace("sleep 0.01", "sleep 0.002"), str(data)]
    with subprocess.Popen(words, stderr=subprocess.DEVNULL) as writer:
        try:
            yield
        finally:
            writer.terminate()
            writer.wait()
