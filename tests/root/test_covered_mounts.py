"""File systems that another mount covers: captured themselves, and never what covers them.

e2fsck, xfs_repair, btrfs and the kernel judge what comes back; a witness of tests/support, which
shares no code with the product, compares the trees.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import uuid
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import freeze, freeze_state, mount_top, mounts
from holdstill.board.freeze_state import FreezeState, FrozenFileSystem
from holdstill.model import entries as entry_streams
from holdstill.model.entries import NEVER_SEEN
from holdstill.system import ioctl
from support import boards, loop, older_kernel, programs, reference_tree
from support.boards import holdstill
from support.contents import in_order
from support.loop import MIB, LoopDisk

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.mounts import Mount
    from holdstill.model.entries import Entry
    from support.boards import Nearby

pytestmark = pytest.mark.timeout(240)
SCRIPT = """\
label: dos
label-id: 0x9a3c5d2e
start=8192, size=81920, type=c, bootable
start=90112, size=122880, type=83
start=212992, size=696320, type=83
start=909312, size=81920, type=83
"""
"""A FAT, the root, what is covered, and what may cover it."""
SIZE = 485 * MIB
CHECK = {
    "ext4": ("e2fsck", "-fn"),
    "xfs": ("xfs_repair", "-n"),
    "btrfs": ("btrfs", "check", "--readonly"),
}
QUIET = {"xfs": "ro,norecovery,nouuid", "btrfs": "ro,subvolid=5"}
FAILED, DEGRADED = 7, 8


@dataclass(frozen=True)
class Board:
    disk: LoopDisk
    root: Path
    data: Path


@contextmanager
def board(
    folder: Path, kind: str = "ext4", *, place: str = "data", mode: str = "rw"
) -> Iterator[Board]:
    """Hold a board with an ext4 root, and a file system of a kind on its third partition."""
    image = loop.partitioned_image(folder / "card.img", size=SIZE, script=SCRIPT)
    with loop.attached(image) as disk, ExitStack() as undo:
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", disk.partition(1))
        boards.fill_boot(disk.partition(1), folder)
        programs.run("mkfs.ext4", "-q", "-L", "rootfs", disk.partition(2))
        own = ("-U", str(uuid.uuid4())) if kind == "btrfs" else ()
        programs.run(f"mkfs.{kind}", "-q", *own, disk.partition(3))
        programs.run("mkfs.ext4", "-q", disk.partition(4))
        root = undo.enter_context(loop.mounted(disk.partition(2), folder / "root"))
        undo.enter_context(loop.thaw_guard(root, seconds=60))
        (root / "etc").mkdir()
        (root / "etc/fstab").write_text("LABEL=rootfs / ext4 defaults 0 1\n", encoding="ascii")
        with loop.mounted(disk.partition(3), root / place) as data:
            fill(data, kind)
        undo.enter_context(loop.mounted(disk.partition(3), data, options=mode))
        undo.enter_context(loop.thaw_guard(data, seconds=60))
        yield Board(disk, root, data)


def fill(at: Path, kind: str) -> None:
    (at / "log").mkdir(mode=0o750)
    (at / "log/true").write_text("below\n")
    os.link(at / "log/true", at / "also true")
    os.setxattr(at / "log", "user.note", b"tide")
    os.chown(at / "also true", 70_000, 80_000)
    if kind == "btrfs":
        for name in ("@logs", "log/inner"):
            programs.run("btrfs", "subvolume", "create", at / name)
            (at / name / "of it").write_text(f"in {name}\n")
        programs.run("btrfs", "property", "set", "-ts", at / "@logs", "ro", "true")


@contextmanager
def covered(at: Path, source: Path = Path("none"), *, kind: str = "tmpfs") -> Iterator[None]:
    """Mount something over a mount; what is below stays mounted in the end."""
    programs.run("mount", "--types", kind, source, at)
    try:
        yield
    finally:
        programs.run("umount", at)


def entries(at: Path) -> list[Entry]:
    """Return what the witness sees of a tree, in key order."""
    found = reference_tree.entries(at).values()
    return in_order(entry._replace(seen=NEVER_SEEN) for entry in found)


@pytest.mark.parametrize("kind", sorted(CHECK))
@pytest.mark.parametrize("mode", ["rw", "ro"])
def test_what_is_below_is_captured_and_comes_back(tmp_path: Path, kind: str, mode: str) -> None:
    image = tmp_path / "rebuilt.img"
    with boards.kept_nearby(tmp_path, tmp_path / "root") as kept:
        with board(tmp_path, kind, mode=mode) as live:
            wanted = entries(live.data)
            subvolumes = listed(live.data) if kind == "btrfs" else ""
            with covered(live.data, live.disk.partition(4), kind="ext4"):
                (live.data / "false").write_text("above\n")
                told = json.loads(holdstill("inspect", *asked(kept), "--offline", "--json"))
                first = json.loads(holdstill("capture", *asked(kept), "--json"))
                (live.data / "later").write_text("above as well\n")
                report = json.loads(holdstill("capture", *asked(kept), "--json"))
                above = got(kept, "/data/later", tmp_path / "above")
                below = got(kept, "3:/log/true", tmp_path / "below")
        words = ("rebuild", "pier-3", image, "--store", kept.store)
        holdstill(*words, accepted=[boards.NO_KERNEL])
        card = ("verify", "pier-3", "--card", image, "--store", kept.store, "--json")
        assert json.loads(holdstill(*card))["total"] == 0
    with loop.attached(image) as made:
        programs.run(*CHECK[kind], made.partition(3))
        options = QUIET.get(kind, "ro,noload")
        with loop.mounted(made.partition(3), tmp_path / "at", options=options) as at:
            assert list(entry_streams.differences(wanted, entries(at))) == []
            assert kind != "btrfs" or listed(at) == subvolumes
        with loop.mounted(made.partition(4), tmp_path / "at", options="ro,noload") as at:
            assert (at / "false").read_text() == "above\n"

    grade = "point-in-time" if mode == "rw" else "read-only"
    assert [part["mount"] for part in told["parts"] if part["number"] in {3, 4}] == ["", "/data"]
    for one in (first, report):
        assert {part["grade"] for part in one["parts"] if part["number"] not in {1, 2, 4}} == {
            grade
        }
        assert one["findings"] == []
    assert (above, below) == ("above as well\n", "below\n")


def asked(kept: Nearby) -> tuple[object, ...]:
    return ("--settings", kept.settings)


def got(kept: Nearby, path: str, to: Path) -> str:
    holdstill("get", "pier-3", path, "--to", to, "--store", kept.store)
    return to.read_text(encoding="utf-8")


def listed(at: Path) -> str:
    """Return what btrfs-progs says of subvolumes, but for numbers that a rebuild cannot choose."""
    lines = programs.run("btrfs", "subvolume", "list", at).decode().splitlines()
    closed = programs.run("btrfs", "property", "get", "-ts", at / "@logs", "ro").decode()
    return f"{sorted(line.partition(' path ')[2] for line in lines)} {closed}"


@pytest.mark.parametrize("kind", sorted(CHECK))
def test_what_is_written_below_and_at_the_root_is_of_one_instant(
    tmp_path: Path, kind: str
) -> None:
    script = (
        'cd "$0" || exit; i=0; while i=$((i+1)); do '
        "echo $i > count.new && mv count.new count; "
        'echo $i > "$1/count.new" && mv "$1/count.new" "$1/count"; sleep 0.01; done'
    )
    with board(tmp_path, kind) as live, boards.kept_nearby(tmp_path, live.root) as kept:
        # It is in there before anything covers it, as a service would be.
        words = ["/bin/sh", "-c", script, str(live.data), str(live.root)]
        with subprocess.Popen(words) as writer:
            try:
                wait_for(live.root / "count")
                with covered(live.data):
                    for _ in range(2):
                        holdstill("capture", *asked(kept))
            finally:
                writer.kill()
        counts = []
        for seq in (1, 2):
            pair = []
            for number, path in enumerate(("3:/count", "/count")):
                to = tmp_path / f"{seq}-{number}"
                holdstill("get", f"pier-3/{seq}", path, "--to", to, "--store", kept.store)
                pair.append(int(to.read_text()))
            counts.append(pair)

    assert all(first - second in {0, 1} for first, second in counts), counts
    assert counts[0][0] < counts[1][0]


def wait_for(path: Path) -> None:
    programs.run("sh", "-c", 'while [ ! -e "$0" ]; do sleep 0.05; done', path, timeout=20)


def test_a_mount_below_one_that_is_covered_is_captured_too(tmp_path: Path) -> None:
    with (
        board(tmp_path, place="srv/inner") as live,
        boards.kept_nearby(tmp_path, live.root) as kept,
        covered(live.root / "srv"),
    ):
        (live.root / "srv/inner").mkdir()
        (live.root / "srv/inner/false").write_text("above\n")
        report = json.loads(holdstill("capture", *asked(kept), "--json"))
        below = got(kept, "3:/log/true", tmp_path / "below")

    assert below == "below\n"
    assert [(one["number"], one["place"]) for one in report["parts"]] == [
        (1, ""), (2, "/"), (3, ""), (4, ""),
    ]  # fmt: skip


def test_a_root_that_another_one_covers(tmp_path: Path) -> None:
    """The board is what is seen; what is below is another partition of its card."""
    with board(tmp_path) as live, covered(live.root, live.disk.partition(4), kind="ext4"):
        (live.root / "etc").mkdir()
        (live.root / "etc/fstab").touch()
        with boards.kept_nearby(tmp_path, live.root) as kept:
            report = json.loads(holdstill("capture", *asked(kept), "--json"))
            old = got(kept, "2:/etc/fstab", tmp_path / "old")

    assert {one["number"]: one["place"] for one in report["parts"]} == {
        1: "",
        2: "",
        3: "",
        4: "/",
    }
    assert old == "LABEL=rootfs / ext4 defaults 0 1\n"


@pytest.mark.parametrize("kind", sorted(CHECK))
def test_what_is_below_and_cannot_be_opened_is_said_to_be_missing(
    tmp_path: Path, kind: str
) -> None:
    """A kernel before 5.2 mounts nothing that only we would see."""
    older = (sys.executable, older_kernel.__file__, str(older_kernel.FSOPEN))
    with (
        board(tmp_path, kind) as live,
        boards.kept_nearby(tmp_path, live.root) as kept,
        covered(live.data),
    ):
        device = str(live.disk.partition(3))
        said = {}
        for words, code in ((("inspect", "--offline"), 0), (("capture",), DEGRADED)):
            done = subprocess.run(
                [*older, sys.executable, "-m", "holdstill", *words,
                 "--settings", kept.settings, "--json"],
                capture_output=True, check=False,
            )  # fmt: skip
            assert done.returncode == code, done.stderr.decode()
            said[words[0]] = json.loads(done.stdout)
        left_out = kept.settings.read_text() + f"leave_out: [{device}]\n"
        kept.settings.write_text(left_out)
        told = json.loads(holdstill("inspect", *asked(kept), "--offline", "--json"))

    for answer in said.values():
        (finding,) = answer["findings"]
        assert (finding["kind"], finding["what"]) == ("missing", device)
        assert "covers" in finding["why"]
    assert [one["grade"] for one in said["capture"]["parts"] if one["number"] == 3] == ["live"]
    assert told["findings"] == []  # nothing is missing here


@pytest.mark.parametrize("kind", sorted(CHECK))
def test_what_was_left_frozen_below_is_thawed(tmp_path: Path, kind: str) -> None:
    marks = Path("/dev/shm") / f"holdstill-{os.getpid()}"  # noqa: S108  a tmpfs
    with board(tmp_path, kind) as live, covered(live.data):
        mount = below_at(live.data)
        known = [FrozenFileSystem(mount.device, mount.point.raw)]
        with mount_top.opened(mount) as handle, freeze_state.on_tmpfs(marks, known) as states:
            ioctl.freeze(handle)
            states[0] = FreezeState.OURS
        try:
            thawed = freeze.thaw_left_over(marks, mounts.read_mounts())
            again = freeze.thaw_left_over(marks, mounts.read_mounts())
        finally:
            marks.unlink(missing_ok=True)
        with mount_top.opened(mount) as handle, pytest.raises(OSError, match="Invalid argument"):
            ioctl.thaw(handle)  # as the kernel answers for what is not frozen

    assert thawed == (str(live.data),)
    assert again == ()


def below_at(point: Path) -> Mount:
    found = [one for one in mounts.read_mounts() if str(one.point) == str(point)]
    (mount,) = [one for one in found if one.is_covered]
    assert len(found) == 2
    return mount
