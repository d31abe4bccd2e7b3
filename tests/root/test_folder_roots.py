"""Boards whose / is a folder of a partition, beside other systems: all of it comes back.

The witness of tests/support reads both trees; e2fsck and xfs_repair judge the file systems.
"""

from __future__ import annotations

import json
import sys
import tempfile
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.model import entries as entry_streams
from support import boards, loop, programs, reference_tree
from support.boards import Board, holdstill
from support.contents import in_order
from support.loop import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.boards import Nearby

pytestmark = pytest.mark.timeout(240)
FOLDER, OTHER, STATE = "deploy/a", "deploy/b", "state"
CHECKS = {
    "ext4": ("e2fsck", "-f", "-n"),
    "xfs": ("xfs_repair", "-n"),
    "btrfs": ("btrfs", "check", "--readonly"),
}
OPTIONS = {"ext4": "ro", "xfs": "ro,norecovery,nouuid", "btrfs": "ro"}
BOTH = pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])


def fill(whole: Path) -> None:
    """Put two systems beside each other, their common state, and what only the boot reads."""
    for folder in (FOLDER, OTHER):
        (whole / folder / "etc").mkdir(parents=True)
        (whole / folder / "usr/bin").mkdir(parents=True)
        (whole / folder / "var").mkdir()
        (whole / folder / "tmp").mkdir(mode=0o1777)
        (whole / folder / "tmp/gone").write_bytes(b"of this boot")
        (whole / folder / "etc/release").write_text(f"{folder}\n", encoding="ascii")
        (whole / folder / "etc/fstab").write_text("# none\n", encoding="ascii")
    (whole / STATE / "tmp").mkdir(parents=True)
    (whole / STATE / "tmp/gone").write_bytes(b"of this boot")
    (whole / STATE / "readings").write_bytes(b"1.42 m\n" * 1000)
    (whole / "chosen").symlink_to(FOLDER)


@contextmanager
def deployed(folder: Path, kind: str, *, is_whole: bool, subvolume: str = "") -> Iterator[Board]:
    """Hold a board whose / is one folder, and /var another; is_whole: the top at /sysroot, too.

    These folders are in a subvolume, if one is named.
    """
    script = boards.MBR.replace("start=90112, type=83", "start=90112, size=819200, type=83")
    with ExitStack() as undo:
        image = loop.partitioned_image(folder / "card.img", size=480 * MIB, script=script)
        disk = undo.enter_context(loop.attached(image))
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", disk.partition(1))
        programs.run(f"mkfs.{kind}", "-q", "-L", "rootfs", disk.partition(2))
        if subvolume:
            with loop.mounted(disk.partition(2), folder / "top") as top:
                programs.run("btrfs", "subvolume", "create", top / subvolume)
        options = f"subvol={subvolume}" if subvolume else ""
        with loop.mounted(disk.partition(2), folder / "whole", options=options) as whole:
            fill(whole)
            bound = {"options": "bind,private"}
            root = undo.enter_context(loop.mounted(whole / FOLDER, folder / "root", **bound))
            undo.enter_context(loop.thaw_guard(root, seconds=120))
            undo.enter_context(loop.mounted(whole / STATE, root / "var", **bound))
            if is_whole:
                undo.enter_context(loop.mounted(whole, root / "sysroot", **bound))
        yield Board(disk, root)


def ask(kept: Nearby, *words: object, accepted: tuple[int, ...] = (0,)) -> str:
    return holdstill(*words, "--store", kept.store, accepted=accepted).decode()


@BOTH
@pytest.mark.parametrize("is_whole", [False, True], ids=["alone", "seen whole"])
def test_all_systems_of_the_partition_come_back(
    tmp_path: Path, kind: str, *, is_whole: bool
) -> None:
    with (
        deployed(tmp_path, kind, is_whole=is_whole) as board,
        boards.kept_nearby(tmp_path, board.root) as kept,
    ):
        settings = ("--settings", kept.settings)
        inspected = json.loads(holdstill("inspect", *settings, "--offline", "--json"))
        first = json.loads(holdstill("capture", *settings, "--json"))
        (board.root / "etc/release").write_text("changed\n", encoding="ascii")
        (board.root / "var/readings").write_bytes(b"1.43 m\n" * 900)
        second = json.loads(holdstill("capture", *settings, "--json"))
        with loop.mounted(board.disk.partition(2), tmp_path / "top") as top:
            before = reference_tree.entries(top)
        said = holdstill("show", "pier-3", "--store", kept.store).decode()
        taken = ask(kept, "get", "pier-3", "/etc/release", "--to", tmp_path / "release")
        ask(kept, "get", "pier-3", "/var/readings", "--to", tmp_path / "readings")
        ask(kept, "get", "pier-3", "2:/deploy/b/etc/release", "--to", tmp_path / "beside")
        found = json.loads(ask(kept, "find", "/etc/rel*", "--json"))["boards"]["pier-3"]["paths"]

    image = tmp_path / "rebuilt.img"
    accepted = (boards.NO_KERNEL,)
    ask(kept, "rebuild", "pier-3", image, "--size", "900M", accepted=accepted)
    verdict = json.loads(ask(kept, "verify", "pier-3", "--card", image, "--json"))
    with loop.attached(image) as disk:
        programs.run(*CHECKS[kind], disk.partition(2))
        with loop.mounted(disk.partition(2), tmp_path / "again", options=OPTIONS[kind]) as again:
            after = reference_tree.entries(again)

    assert inspected["findings"] == first["findings"] == second["findings"] == []
    grades = {part["number"]: part["grade"] for part in second["parts"]}
    assert grades[2] == "point-in-time"
    assert second["hashed_bytes"] < 50_000
    assert f"/ is {FOLDER} of partition 2" in said
    assert f"/var is {STATE} of partition 2" in said
    assert "release" in taken
    assert (tmp_path / "release").read_text(encoding="ascii") == "changed\n"
    assert (tmp_path / "readings").read_bytes() == b"1.43 m\n" * 900
    assert (tmp_path / "beside").read_text(encoding="ascii") == f"{OTHER}\n"
    assert [one["path"] for one in found] == ["/etc/release"]
    assert len(found[0]["versions"]) == 2
    assert verdict["total"] == 0
    # /tmp and /var/tmp of the system that runs are left out, and nothing of the one beside it.
    left_out = {b"deploy/a/tmp/gone", b"state/tmp/gone"}
    kept_of_it = [entry for path, entry in before.items() if path not in left_out]
    assert list(entry_streams.differences(in_order(kept_of_it), in_order(after.values()))) == []


@pytest.mark.parametrize("is_whole", [False, True], ids=["alone", "seen whole"])
def test_folders_of_a_subvolume_come_back_in_it(tmp_path: Path, *, is_whole: bool) -> None:
    with (
        deployed(tmp_path, "btrfs", is_whole=is_whole, subvolume="root") as board,
        boards.kept_nearby(tmp_path, board.root) as kept,
    ):
        report = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
        (board.root / "etc/release").write_text("changed\n", encoding="ascii")
        holdstill("capture", "--settings", kept.settings)
        with loop.mounted(board.disk.partition(2), tmp_path / "top") as top:
            before = reference_tree.entries(top / "root")
        said = holdstill("show", "pier-3", "--store", kept.store).decode()
        ask(kept, "get", "pier-3", "/etc/release", "--to", tmp_path / "release")
        ask(kept, "get", "pier-3", "/var/readings", "--to", tmp_path / "readings")
        judged = ask(kept, "bootcheck", "pier-3", accepted=(boards.NO_KERNEL, 7))

    image = tmp_path / "rebuilt.img"
    ask(kept, "rebuild", "pier-3", image, "--size", "900M", accepted=(boards.NO_KERNEL,))
    verdict = json.loads(ask(kept, "verify", "pier-3", "--card", image, "--json"))
    with loop.attached(image) as disk:
        programs.run(*CHECKS["btrfs"], disk.partition(2))
        with loop.mounted(disk.partition(2), tmp_path / "again", options="ro") as again:
            after = reference_tree.entries(again / "root")

    assert report["findings"] == []
    assert f"/ is {FOLDER} of " in said
    assert "init" in judged  # it looked for one in that folder, where there is none
    assert (tmp_path / "release").read_text(encoding="ascii") == "changed\n"
    assert (tmp_path / "readings").read_bytes() == b"1.42 m\n" * 1000
    assert verdict["total"] == 0
    left_out = {b"deploy/a/tmp/gone", b"state/tmp/gone"}
    kept_of_it = [entry for path, entry in before.items() if path not in left_out]
    assert list(entry_streams.differences(in_order(kept_of_it), in_order(after.values()))) == []


@pytest.mark.parametrize("folder", ["etc", "var"])
def test_a_store_in_a_folder_is_left_out_of_its_captures(tmp_path: Path, folder: str) -> None:
    with deployed(tmp_path, "ext4", is_whole=False) as board:
        inside = board.root / folder / "inside"
        inside.mkdir()
        more = "store_on_card: accept\n"
        with boards.kept_nearby(inside, board.root, more=more) as kept:
            capture = ("capture", "--settings", kept.settings, "--json")
            holdstill(*capture, accepted=(0, 8))
            again = json.loads(holdstill(*capture, accepted=(0, 8)))
            files = ask(kept, "find", "store.yaml", "--json", accepted=(2,))
    assert again["hashed_bytes"] < 100_000
    assert json.loads(files)["boards"]["pier-3"]["paths"] == []


def test_the_lowest_layer_of_an_overlay_may_be_a_folder(tmp_path: Path) -> None:
    with (
        deployed(tmp_path, "ext4", is_whole=False) as board,
        tempfile.TemporaryDirectory(dir="/dev/shm") as memory,
    ):
        upper, work = (f"{memory}/{name}" for name in ("upper", "work"))
        programs.run("mkdir", upper, work)
        options = f"lowerdir={board.root},upperdir={upper},workdir={work}"
        with loop.mounted(board.root, tmp_path / "over", options=options, kind="overlay") as over:
            (over / "etc/release").write_text("in memory only\n", encoding="ascii")
            with boards.kept_nearby(tmp_path, over) as kept:
                told = json.loads(
                    holdstill("capture", "--settings", kept.settings, "--json", accepted=(0, 8))
                )
                ask(kept, "get", "pier-3", "/etc/release", "--to", tmp_path / "release")
                ask(kept, "get", "pier-3", "2:/deploy/b/etc/release", "--to", tmp_path / "beside")
    assert [finding["kind"] for finding in told["findings"]] == []
    assert (tmp_path / "release").read_text(encoding="ascii") == f"{FOLDER}\n"
    assert (tmp_path / "beside").read_text(encoding="ascii") == f"{OTHER}\n"


def test_another_board_is_not_made_of_several_systems(tmp_path: Path) -> None:
    with (
        deployed(tmp_path, "ext4", is_whole=False) as board,
        boards.kept_nearby(tmp_path, board.root) as kept,
    ):
        holdstill("capture", "--settings", kept.settings)
        image = tmp_path / "sibling.img"
        done = programs.attempt(
            sys.executable, "-m", "holdstill", "rebuild", "pier-3", image, "--as", "pier-4",
            "--store", kept.store,
        )  # fmt: skip
    assert done.returncode == 2
    assert "its / is a folder of a partition" in done.stderr.decode()
    assert not image.exists()


def test_a_folder_that_is_bound_below_run_as_well_is_not_left_out(tmp_path: Path) -> None:
    with (
        deployed(tmp_path, "ext4", is_whole=False) as board,
        boards.kept_nearby(tmp_path, board.root) as kept,
    ):
        for source, place in (("var", "run/state"), ("etc", "run/pod/etc"), ("", "run/whole")):
            (board.root / place).mkdir(parents=True)
            bound = loop.mounted(board.root / source, board.root / place, options="bind,private")
            with bound:
                holdstill("capture", "--settings", kept.settings)
            for path in ("/var/readings", "/etc/release", "2:/deploy/b/etc/release"):
                taken = tmp_path / place.replace("/", "-") / path.replace("/", "-")
                taken.parent.mkdir(exist_ok=True)
                ask(kept, "get", "pier-3", path, "--to", taken)
                assert taken.stat().st_size > 0


@pytest.mark.parametrize(
    ("pattern", "words", "got"),
    [
        ("/sysroot", "all that is in there stays out, for `exclude` has /sysroot", 2),
        ("/sys[r]*", "is captured although `exclude` has /sys[r]*", 0),
    ],
    ids=["by its name", "by a pattern"],
)
def test_what_else_is_on_the_roots_partition_and_is_excluded_is_told(
    tmp_path: Path, pattern: str, words: str, got: int
) -> None:
    with (
        deployed(tmp_path, "ext4", is_whole=True) as board,
        boards.kept_nearby(tmp_path, board.root, more=f"exclude: ['{pattern}']\n") as kept,
    ):
        report = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
        beside = f"2:/{OTHER}/etc/release"
        ask(kept, "get", "pier-3", beside, "--to", tmp_path / "beside", accepted=(got,))

    (told,) = report["findings"]
    assert (told["what"], told["kind"]) == ("/sysroot", "left out")
    assert words in told["why"]


def test_a_partition_that_is_mounted_below_run_is_captured(tmp_path: Path) -> None:
    script = boards.MBR.replace("start=90112, type=83", "start=90112, size=163840, type=83")
    with boards.running(tmp_path, script=f"{script}start=262144, type=83\n") as board:
        programs.run("mkfs.ext4", "-q", board.disk.partition(3))
        with loop.mounted(board.disk.partition(3), board.root / "run/data") as data:
            (data / "home/pi").mkdir(parents=True)
            (data / "home/pi/letter").write_bytes(b"dear keeper")
            (data / "beside").write_bytes(b"of nobody's home")
            bound = {"options": "bind,private"}
            with (
                loop.mounted(data / "home", board.root / "home", **bound),
                boards.kept_nearby(tmp_path, board.root) as kept,
            ):
                holdstill("capture", "--settings", kept.settings)
                ask(kept, "get", "pier-3", "/home/pi/letter", "--to", tmp_path / "letter")
                ask(kept, "get", "pier-3", "/run/data/beside", "--to", tmp_path / "beside")
    assert (tmp_path / "letter").read_bytes() == b"dear keeper"
    assert (tmp_path / "beside").read_bytes() == b"of nobody's home"


@pytest.mark.parametrize("kind", ["ext4", "btrfs"])
@pytest.mark.parametrize("is_whole", [False, True], ids=["alone", "seen whole"])
def test_systems_that_change_places_meanwhile_end_the_capture(
    tmp_path: Path, kind: str, *, is_whole: bool
) -> None:
    """An update may give the folder that is / another name, and its name to another folder."""
    with (
        tempfile.TemporaryDirectory(dir="/run") as trusted,
        deployed(tmp_path, kind, is_whole=is_whole) as board,
    ):
        swap, top = f"{trusted}/swap", tmp_path / "for-the-update"
        Path(swap).write_text(
            f"#!/bin/sh\nset -e\nmkdir {top}\nmount {board.disk.partition(2)} {top}\n"
            f"mv {top}/{FOLDER} {top}/deploy/old\nmv {top}/{OTHER} {top}/{FOLDER}\numount {top}\n",
            encoding="ascii",
        )
        Path(swap).chmod(0o755)
        hook = f"{{name: swap, how: command, quiesce: [{swap}], resume: [/bin/true]}}"
        with boards.kept_nearby(tmp_path, board.root, more=f"hooks: [{hook}]\n") as kept:
            done = programs.attempt(
                sys.executable, "-m", "holdstill", "capture", "--settings", kept.settings
            )
            listed = json.loads(ask(kept, "list", "--json"))["boards"]
    assert done.returncode == 5, done.stderr.decode()
    assert f"/ was {FOLDER} of partition 2" in done.stderr.decode()
    assert not listed.get("pier-3")
