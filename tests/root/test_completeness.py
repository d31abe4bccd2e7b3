"""Boards of which a capture holds only a part: every command says so, on real devices."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypedDict

import pytest

from support import boards, forked_commands, loop, programs
from support.boards import Board, holdstill
from support.loop import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from support.boards import Nearby

pytestmark = pytest.mark.timeout(240)
DEGRADED = 8
SECOND_DISK = """\
label: dos
label-id: 0x11223344
start=8192, size=65536, type=c
start=73728, type=83
"""


class Finding(TypedDict):
    kind: str
    what: str
    why: str
    hint: str


@dataclass(frozen=True)
class Told:
    """What every command says about the findings of one board, as kind and what."""

    inspected: dict[str, str]
    captured: dict[str, str]
    shown: dict[str, str]
    listed: tuple[int, int, int]
    planned: dict[str, str]
    judged: dict[str, str]


def by_what(findings: Sequence[Finding]) -> dict[str, str]:
    return {finding["what"]: finding["kind"] for finding in findings}


def told(kept: Nearby, *, code: int, plans: bool = True) -> Told:
    """Ask every command; plans: whether a rebuild of it can be planned at all."""
    settings, store = ("--settings", kept.settings), ("--store", kept.store)
    inspected = json.loads(holdstill("inspect", *settings, "--offline", "--json"))
    report = json.loads(holdstill("capture", *settings, "--json", accepted=[code]))
    shown = json.loads(holdstill("show", "pier-3", *store, "--json"))
    (brief,) = json.loads(holdstill("list", *store, "--json"))["boards"]["pier-3"]
    plan = shown
    if plans:
        plan = json.loads(holdstill(*PLAN, *store, "--json", accepted=[code]))
    return Told(
        by_what(inspected["findings"]),
        by_what(report["findings"]),
        by_what(shown["findings"]),
        (brief["missing"], brief["not_rebuildable"], brief["left_out"]),
        by_what(plan["findings"]),
        by_what(json.loads(holdstill(*JUDGE, *store, "--json", accepted=[7]))["findings"]),
    )


JUDGE = ("bootcheck", "pier-3")
PLAN = ("rebuild", "pier-3", "/nowhere.img", "--dry-run")


def in_words(kept: Nearby, *whats: str) -> None:
    """Check that what commands say to people names everything."""
    settings, store = ("--settings", kept.settings), ("--store", kept.store)
    dry_run = [sys.executable, "-m", "holdstill", *map(str, (*PLAN, *store))]
    for words in (
        holdstill("inspect", *settings, "--offline"),
        holdstill("show", "pier-3", *store),
        programs.attempt(*dry_run).stderr,
    ):
        text = "".join(words.decode().split())
        assert all("".join(what.split()) in text for what in whats)
    table = " ".join(holdstill("list", *store).decode().split())
    assert f"{len(whats)} missing" in table


def all_say(found: Told, expected: dict[str, str]) -> None:
    """Check that every command says just this."""
    assert found.inspected == expected
    assert found.captured == expected
    assert found.shown == expected
    assert found.planned == expected
    assert found.judged == expected
    kinds = list(expected.values())
    assert found.listed == tuple(
        kinds.count(kind) for kind in ("missing", "cannot be rebuilt", "left out")
    )


@contextmanager
def second_disk(folder: Path) -> Iterator[loop.LoopDisk]:
    """Hold another disk, with a FAT and an ext4 of data."""
    image = loop.partitioned_image(folder / "second.img", size=128 * MIB, script=SECOND_DISK)
    with loop.attached(image) as disk:
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", disk.partition(1))
        programs.run("mkfs.ext4", "-q", disk.partition(2))
        yield disk


def test_a_boot_partition_and_data_on_another_disk_are_missing(tmp_path: Path) -> None:
    with boards.running(tmp_path) as board, second_disk(tmp_path) as other:
        for name in ("dev", "usr"):  # by which the boot check knows a system
            (board.root / name).mkdir()
        fstab = board.root / "etc/fstab"
        fstab.write_text(
            fstab.read_text() + "PARTUUID=11223344-01 /boot/firmware vfat defaults 0 2\n"
            "PARTUUID=11223344-02 /srv ext4 defaults 0 2\n"
        )
        # This kernel mounts no FAT: the line of fstab alone tells of it.
        only = f"disks: [{board.disk.device}]\n"
        with (
            loop.mounted(other.partition(2), board.root / "srv"),
            boards.kept_nearby(tmp_path, board.root, more=only) as kept,
        ):
            all_say(told(kept, code=DEGRADED), {"/srv": "missing", "/boot/firmware": "missing"})
            in_words(kept, "/srv", "/boot/firmware")
        image = tmp_path / "rebuilt.img"
        words = ("rebuild", "pier-3", image, "--store", kept.store, "--json")
        report = json.loads(holdstill(*words, accepted=[DEGRADED]))
        assert set(by_what(report["findings"])) == {"/srv", "/boot/firmware"}
        checked = holdstill("bootcheck", image, accepted=[7]).decode()
        assert "fstab /boot/firmware: PARTUUID=11223344-01 is not on this card" in checked
        assert "fstab /srv: PARTUUID=11223344-02 must be on another disk" in checked


def test_what_the_owner_leaves_out_is_told_and_no_alarm(tmp_path: Path) -> None:
    with (
        boards.running(tmp_path) as board,
        second_disk(tmp_path) as other,
        loop.mounted(other.partition(2), board.root / "srv"),
        boards.kept_nearby(
            tmp_path,
            board.root,
            more=f"leave_out: [/srv, /mnt/x]\ndisks: [{board.disk.device}]\n",
        ) as kept,
    ):
        found = told(kept, code=0)
        all_say(found, {"/srv": "left out"})
        said = json.loads(holdstill("inspect", "--settings", kept.settings, "--offline", "--json"))
        assert any("/mnt/x" in warning for warning in said["warnings"])


def test_a_board_of_one_disk_is_quiet(tmp_path: Path) -> None:
    with boards.running(tmp_path) as board, boards.kept_nearby(tmp_path, board.root) as kept:
        all_say(told(kept, code=0), {})


@contextmanager
def btrfs_board(folder: Path, *, subvolume: str) -> Iterator[Board]:
    """Hold a board whose root is a subvolume of a btrfs, with two more and a snapshot in it."""
    script = boards.MBR.replace("start=90112", "start=90112, size=614400")
    image = loop.partitioned_image(folder / "card.img", size=384 * MIB, script=script)
    with loop.attached(image) as disk:
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", disk.partition(1))
        programs.run("mkfs.btrfs", "-q", disk.partition(2))
        with loop.mounted(disk.partition(2), folder / "top") as top:
            for name in ("@", "@home"):
                programs.run("btrfs", "subvolume", "create", top / name)
            programs.run("btrfs", "subvolume", "create", top / "@" / "nested")
            programs.run("btrfs", "subvolume", "snapshot", "-r", top / "@home", top / "old")
        options = f"subvol={subvolume}"
        with (
            loop.mounted(disk.partition(2), folder / "root", options=options) as at,
            loop.thaw_guard(at, seconds=60),
        ):
            yield Board(disk, at)


def test_subvolumes_beside_and_inside_are_all_captured(tmp_path: Path) -> None:
    with btrfs_board(tmp_path, subvolume="/@") as board:
        device = board.disk.partition(2)
        options = "subvol=/@home"
        with (
            loop.mounted(device, board.root / "home", options=options),
            boards.kept_nearby(tmp_path, board.root) as kept,
        ):
            # A btrfs cannot be rebuilt, nor planned, while its twin is mounted here.
            found = told(kept, code=0, plans=False)
            all_say(found, {f"{device}: snapshot /old": "left out"})
            shown = json.loads(holdstill("show", "pier-3", "--store", kept.store, "--json"))
            trees = (part["file_system"] for part in shown["parts"])
            captured = {f"/{kind['path']}" for kind in trees if kind["kind"] == "subvolume"}
            assert captured | {"/old"} == subvolumes_as_btrfs_says(board.root)
            assert captured == {"/@", "/@home", "/@/nested"}


def subvolumes_as_btrfs_says(at: Path) -> set[str]:
    said = programs.run("btrfs", "subvolume", "list", "-a", at).decode()
    paths = [line.partition(" path ")[2].removeprefix("<FS_TREE>/") for line in said.splitlines()]
    return {f"/{path}" for path in paths}


def test_a_subvolume_without_a_name_in_text_is_missing(tmp_path: Path) -> None:
    with btrfs_board(tmp_path, subvolume="/") as board:
        programs.run(
            "btrfs", "subvolume", "create", os.fsdecode(os.fsencode(board.root) + b"/\xff")
        )
        with boards.kept_nearby(tmp_path, board.root) as kept:
            found = told(kept, code=DEGRADED, plans=False)
    device = board.disk.partition(2)
    assert found.shown == {
        f"{device}: snapshot /old": "left out",
        f"{device}: subvolume /\\xff": "missing",
    }


@pytest.mark.parametrize("feature", ["verity", "encrypt"])
def test_features_that_do_not_come_back(tmp_path: Path, feature: str) -> None:
    word = "encrypted: store-in-clear\n" if feature == "encrypt" else ""
    with (
        boards.running(tmp_path, mkfs=("-O", feature)) as board,
        boards.kept_nearby(tmp_path, board.root, more=word) as kept,
    ):
        what = f"{board.disk.partition(2)}: {feature}"
        all_say(told(kept, code=DEGRADED), {what: "cannot be rebuilt"})


def test_folders_that_an_ext4_encrypts_are_stored_by_the_owners_word_only(tmp_path: Path) -> None:
    with (
        boards.running(tmp_path, mkfs=("-O", "encrypt")) as board,
        boards.kept_nearby(tmp_path, board.root) as kept,
    ):
        done = forked_commands.attempt(["capture", "--settings", str(kept.settings)], timeout=60)

    assert done.returncode == 4
    assert "stored unencrypted at the keeper" in done.stderr.decode()
    assert "store-in-clear" in done.stderr.decode()


def test_bytes_between_two_partitions(tmp_path: Path) -> None:
    script = boards.MBR.replace("start=90112", "start=94208")
    with (
        boards.running(tmp_path, script=script) as board,
        boards.kept_nearby(tmp_path, board.root) as kept,
    ):
        with board.disk.device.open("r+b") as device:
            device.seek(92_160 * 512)
            device.write(LOADER)
        all_say(told(kept, code=0), {})
        store = ("--store", kept.store)
        for size in ("300M", "500M"):
            image = tmp_path / f"{size}.img"
            words = ("rebuild", "pier-3", image, "--size", size, *store)
            holdstill(*words, accepted=[boards.NO_KERNEL])
            with image.open("rb") as card:
                card.seek(92_160 * 512)
                assert card.read(len(LOADER)) == LOADER
            card_check = ("verify", "pier-3", "--card", image, *store, "--json")
            assert json.loads(holdstill(*card_check))["total"] == 0
        # The partition before them grows over their place.
        image = tmp_path / "grown.img"
        grown = ("rebuild", "pier-3", image, "--size", "500M", "--grow", "1", *store, "--json")
        report = json.loads(holdstill(*grown, accepted=[boards.NO_KERNEL]))
        assert any("were between partitions, are left out" in note for note in report["notes"])
        check = ("verify", "pier-3", "--card", image, *store, "--json")
        assert json.loads(holdstill(*check))["total"] == 0


def test_bytes_far_behind_a_partition_are_missing(tmp_path: Path) -> None:
    script = boards.MBR.replace("start=90112", "start=131072")
    with (
        boards.running(tmp_path, script=script) as board,
        boards.kept_nearby(tmp_path, board.root) as kept,
    ):
        with board.disk.device.open("r+b") as device:
            device.seek(90_112 * 512 + (17 << 20))
            device.write(LOADER)
        all_say(told(kept, code=DEGRADED), {f"{board.disk.device}, after partition 1": "missing"})


LOADER = b"environment of a boot loader"
MOUNT_FUSE = """
import ctypes, os, sys
handle = os.open("/dev/fuse", os.O_RDWR)
options = f"fd={handle},rootmode=40000,user_id=0,group_id=0".encode()
libc = ctypes.CDLL(None, use_errno=True)
if libc.mount(sys.argv[2].encode(), sys.argv[1].encode(), b"fuse", 0, options):
    sys.exit(os.strerror(ctypes.get_errno()))
print("mounted", flush=True)
sys.stdin.read()
"""


@contextmanager
def dead_fuse(at: Path) -> Iterator[None]:
    """Mount a file system whose program never answers: whoever touches it waits for good.

    Its source is no path in it: mke2fs, anywhere on this machine, would wait for that.
    """
    at.mkdir()
    words = [sys.executable, "-c", MOUNT_FUSE, str(at), "nobody"]
    child = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == b"mounted\n"
        yield
    finally:
        child.communicate(b"", timeout=10)  # its end fails everything that waits
        programs.attempt("umount", "--lazy", at)


def test_a_dead_mount_and_a_stick_hold_nobody_up_and_are_named_in_inspect_only(
    tmp_path: Path,
) -> None:
    with (
        boards.running(tmp_path) as board,
        second_disk(tmp_path) as stick,
        loop.mounted(stick.partition(2), board.root / "media/stick"),
        dead_fuse(board.root / "dead"),
        boards.kept_nearby(tmp_path, board.root) as kept,
    ):
        all_say(told(kept, code=0), {})
        said = json.loads(holdstill("inspect", "--settings", kept.settings, "--offline", "--json"))
    named = " ".join(said["not_needed"])
    assert "/dead (fuse, " in named
    assert "/media/stick (ext4, " in named


def test_a_partition_that_is_mounted_beside_the_root_is_told(tmp_path: Path) -> None:
    script = (
        f"{boards.MBR.replace('start=90112', 'start=90112, size=409600')}start=499712, type=83\n"
    )
    with boards.running(tmp_path, script=script) as board:
        spare = board.disk.partition(3)
        programs.run("mkfs.ext4", "-q", spare, "32M")
        with (
            boards.kept_nearby(tmp_path, board.root, more="raw_limit: 256M\n") as kept,
            loop.mounted(spare, tmp_path / "aside") as aside,
        ):
            ask = ("inspect", "--settings", kept.settings, "--offline", "--json")
            (finding,) = json.loads(holdstill(*ask))["findings"]
            assert (finding["what"], finding["kind"]) == (str(spare), "missing")
            assert f"mounted at {aside}" in finding["why"]
            programs.run("umount", aside)
            assert json.loads(holdstill(*ask))["findings"] == []
