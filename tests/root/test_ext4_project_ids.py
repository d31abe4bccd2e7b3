"""Project ids of an ext4 with that feature: of a mounted one, and of a spare slot.

debugfs(8) sets them, because not every kernel mounts such a file system for writing; debugfs and
lsattr(1) are asked for them afterwards, and e2fsck(8) counts what each project uses.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from holdstill.board.path_filter import PathFilter
from holdstill.board.scan import Scanner, opened_root
from support import boards, loop, programs
from support.boards import Board, holdstill
from support.loop import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.timeout(240)

SCRIPT = """\
label: dos
label-id: 0x9a3c5d2e
start=8192, size=81920, type=c, bootable
start=90112, size=122880, type=83
start=212992, type=83
"""
SLOT, ROOT = 2, 3
PROJECTS = {
    "/etc": 0, "/etc/fstab": 5, "/tides": 42, "/tides/deep": 4294967294, "/tides/link": 42,
    "/tides/pipe": 42, "/tides/null": 43, "/tides/socket": 0, "/large": 7,
}  # fmt: skip
INHERITS = 0x20000000
"""FS_PROJINHERIT_FL of linux/fs.h, which lsattr shows as P."""


def made(device: Path, folder: Path, *features: str) -> None:
    """Make a file system with such files, and let debugfs give them their projects."""
    tree = folder / f"tree-{device.name}"
    (tree / "etc").mkdir(parents=True)
    (tree / "etc/fstab").write_text("LABEL=rootfs / ext4 ro 0 1\n", encoding="ascii")
    (tree / "tides/deep").mkdir(parents=True)
    (tree / "tides/link").symlink_to("../large")
    os.mkfifo(tree / "tides/pipe")
    os.mknod(tree / "tides/null", 0o20666, os.makedev(1, 3))
    os.mknod(tree / "tides/socket", 0o140755)
    (tree / "large").write_bytes(os.urandom(3 * MIB))
    label = "rootfs" if not features else "slot-b"
    words = ("-L", label, "-O", ",".join(("project", *features)))
    programs.run("mke2fs", "-q", "-t", "ext4", *words, "-d", tree, device)
    shutil.rmtree(tree)
    requests = [f"set_inode_field {name} projid {number}" for name, number in PROJECTS.items()]
    requests.append(f"set_inode_field /tides flags {0x80000 | INHERITS:#x}")
    programs.run("debugfs", "-w", "-f", "-", device, stdin="\n".join(requests).encode())
    assert programs.attempt("e2fsck", "-fy", device).returncode in {0, 1}  # counts what is used
    programs.run("e2fsck", "-fn", device)


def projects(device: Path) -> dict[str, int]:
    """Return the projects as debugfs shows them."""
    return {name: _project(device, name) for name in PROJECTS}


def _project(device: Path, name: str) -> int:
    found = re.search(rb"Project: +(-?\d+)", programs.run("debugfs", "-R", f"stat {name}", device))
    assert found is not None
    return int(found[1]) % 2**32  # debugfs prints it as a signed number


def listed(device: Path, at: Path) -> dict[str, tuple[str, bool]]:
    """Return projects, and whether they are inherited, as lsattr shows them."""
    with loop.mounted(device, at, options="ro") as mounted:
        said = programs.run(
            "lsattr", "-pd", *(mounted / name for name in ("etc", "tides", "large"))
        )
    rows = [line.split() for line in said.decode().splitlines()]
    return {name.rpartition("/")[2]: (project, "P" in flags) for project, flags, name in rows}


@contextmanager
def board(folder: Path) -> Iterator[Board]:
    image = loop.partitioned_image(folder / "card.img", size=200 * MIB, script=SCRIPT)
    with loop.attached(image) as disk:
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", "-n", "BOOTFS", disk.partition(1))
        boards.fill_boot(disk.partition(1), folder)
        made(disk.partition(SLOT), folder, "quota")
        made(disk.partition(ROOT), folder)
        with loop.mounted(disk.partition(ROOT), folder / "root", options="ro") as at:
            yield Board(disk, at)


def judge(device: Path, at: Path) -> None:
    """Let the reference tools check a file system that was made again."""
    programs.run("e2fsck", "-fn", device)
    assert projects(device) == PROJECTS
    assert listed(device, at) == {
        "etc": ("0", False), "tides": ("42", True), "large": ("7", False),
    }  # fmt: skip


def test_project_ids_come_back_of_files_and_of_what_cannot_be_opened(tmp_path: Path) -> None:
    image = tmp_path / "rebuilt.img"
    with boards.kept_nearby(tmp_path, tmp_path / "root") as kept:
        store = ("--store", kept.store, "--json")
        verify = ("verify", "pier-3", "--card", image, *store)
        with board(tmp_path) as live:
            spare = live.disk.partition(SLOT)
            captured = holdstill("capture", "--settings", kept.settings, "--json", accepted=[8])
            words = ("pier-3", "--live", "--settings", kept.settings)
            compared = json.loads(holdstill("compare", *words, *store))
        rebuilt = holdstill("rebuild", "pier-3", image, *store, accepted=[boards.NO_KERNEL])
        verified = json.loads(holdstill(*verify))
        with loop.attached(image) as disk:
            judge(disk.partition(SLOT), tmp_path / "at")
            judge(disk.partition(ROOT), tmp_path / "at")
            request = "set_inode_field /tides/link projid 6"
            programs.run("debugfs", "-w", "-R", request, disk.partition(ROOT))
        differing = json.loads(holdstill(*verify, accepted=[7]))["differences"]
    findings, said = json.loads(captured)["findings"], json.loads(rebuilt)

    # Ids are kept, what a project may use is not; that is told of the slot, which has quotas.
    assert [finding["what"] for finding in findings] == [f"{spare}: quota"]
    assert [one for part in compared["parts"] for one in part["changes"]] == []
    assert said["checked_entries"] == said["entries"]
    assert verified["differences"] == []
    assert [(one["path"], one["field"]) for one in differing] == [("tides/link", "project")]


def test_without_inode_tables_the_kernel_is_asked_and_the_rest_is_inherited(
    tmp_path: Path,
) -> None:
    image = loop.blank_image(tmp_path / "volume.img", size=60 * MIB)
    made(image, tmp_path)
    with (
        loop.attached(image) as disk,
        loop.mounted(disk.device, tmp_path / "volume", options="ro") as at,
        opened_root(os.fsencode(at)) as root,
    ):
        scanner = Scanner(root, PathFilter(exclude=()), has_projects=True)
        found = {f"/{os.fsdecode(entry.path)}": entry.project for entry in scanner.walk()}
        plain = Scanner(root, PathFilter(exclude=()))
        unasked = {entry.project for entry in plain.walk()}

    # What cannot be opened is taken for one that was made in this directory; null is not.
    inherited = PROJECTS | {"/tides/null": 42, "/tides/socket": 42}
    assert found == inherited | {"/": 0, "/lost+found": 0}
    assert unasked == {0}
