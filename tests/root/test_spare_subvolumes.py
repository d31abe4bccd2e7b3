"""A btrfs with subvolumes that the board has not mounted: captured tree by tree, and made again.

The kernel and btrfs-progs judge, and a witness of tests/support, which shares no code with the
product.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import uuid
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

import pytest

from holdstill.model import entries as entry_streams
from support import boards, loop, older_kernel, programs, subvolumes
from support.boards import Board, holdstill
from support.loop import MIB, LoopDisk
from support.subvolumes import TREES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from support.boards import Nearby

pytestmark = pytest.mark.timeout(240)
SLOT = 140 * MIB
SCRIPT = f"""\
label: dos
label-id: 0x9a3c5d2e
start=8192, size=81920, type=c, bootable
start=90112, size={SLOT // 512}, type=83
start={90112 + SLOT // 512}, size={SLOT // 512}, type=83
start={90112 + 2 * SLOT // 512}, type=83
"""
"""A FAT, two slots, and the root, which can grow."""
SIZE = 2 * SLOT + 180 * MIB
DEGRADED = 8


@contextmanager
def board(folder: Path, fill: Callable[[LoopDisk], object]) -> Iterator[Board]:
    """Hold a board with an ext4 root behind two slots, of which fill makes what it likes."""
    image = loop.partitioned_image(folder / "card.img", size=SIZE, script=SCRIPT)
    with loop.attached(image) as disk, ExitStack() as undo:
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", disk.partition(1))
        boards.fill_boot(disk.partition(1), folder)
        programs.run("mkfs.ext4", "-q", disk.partition(3))
        fill(disk)
        programs.run("mkfs.ext4", "-q", "-L", "rootfs", disk.partition(4))
        root = undo.enter_context(loop.mounted(disk.partition(4), folder / "root"))
        undo.enter_context(loop.thaw_guard(root, seconds=20))
        (root / "etc").mkdir()
        (root / "etc/fstab").write_text("LABEL=rootfs / ext4 defaults 0 1\n", encoding="ascii")
        yield Board(disk, root)


def slot(folder: Path, disk: LoopDisk) -> None:
    """Make a btrfs with subvolumes on the first slot, cleanly unmounted."""
    device = disk.partition(2)
    programs.run("mkfs.btrfs", "-q", "-U", str(uuid.uuid4()), "-L", "slot-b", device)
    with loop.mounted(device, folder / "slot") as top:
        subvolumes.make(top)


def digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def captured(kept: Nearby, *, ends: int = 0) -> dict[str, list[dict[str, str]]]:
    """Take a capture that ends with this code, and return its report."""
    said = holdstill("capture", "--settings", kept.settings, "--json", accepted=[ends])
    report: dict[str, list[dict[str, str]]] = json.loads(said)
    return report


def inspected(kept: Nearby) -> dict[str, list[dict[str, str]]]:
    said = holdstill("inspect", "--settings", kept.settings, "--offline", "--json")
    answer: dict[str, list[dict[str, str]]] = json.loads(said)
    return answer


def rebuilt(kept: Nearby, image: Path, *words: str) -> None:
    """Rebuild, and have the card verified."""
    asked = ("rebuild", "pier-3", image, *words, "--store", kept.store, "--json")
    said = json.loads(holdstill(*asked, accepted=[boards.NO_KERNEL], timeout=200))
    assert said["checked_entries"] == said["entries"]
    card = ("verify", "pier-3", "--card", image, "--store", kept.store, "--json")
    verdict = json.loads(holdstill(*card))
    assert (verdict["total"], verdict["unchecked"]) == (0, [])


def differences(
    wanted: dict[str, dict[bytes, entry_streams.Entry]], device: Path, folder: Path
) -> list[object]:
    """Return in what the trees of a btrfs are not as wanted."""
    found = subvolumes.trees_of(device, folder, trees=[name for name in wanted if name])
    return [
        (name, one)
        for name in wanted
        for one in entry_streams.differences(
            subvolumes.in_order(wanted[name]), subvolumes.in_order(found[name])
        )
    ]


@pytest.mark.parametrize("snapshots", [False, True])
def test_each_subvolume_of_a_spare_slot_comes_back(tmp_path: Path, *, snapshots: bool) -> None:
    more = "snapshots: true\n" if snapshots else ""
    trees = (*TREES, "@old") if snapshots else TREES
    got = tmp_path / "got"
    with (
        boards.kept_nearby(tmp_path, tmp_path / "root", more=more) as kept,
        board(tmp_path, lambda disk: slot(tmp_path, disk)) as live,
    ):
        device = live.disk.partition(2)
        told = inspected(kept)
        before = digest(device)
        first = captured(kept)
        assert digest(device) == before
        with loop.mounted(device, tmp_path / "slot", options="subvolid=5") as top:
            (top / "@home/later").write_text("between two captures\n")
            (top / "@/folder/reading").unlink()
        second = captured(kept)
        wanted = subvolumes.trees_of(device, tmp_path, trees=trees)
        kinds = subvolumes.seen(device, tmp_path)
        holdstill("get", "pier-3", "2:/@home/later", "--to", got, "--store", kept.store)
        # The old card stays attached: another btrfs with the same UUID.
        for size in ("450M", "600M"):
            rebuilt(kept, tmp_path / f"{size}.img", "--size", size)
    for size in ("450M", "600M"):
        with loop.attached(tmp_path / f"{size}.img") as made:
            programs.run("btrfs", "check", "--readonly", made.partition(2))
            closed = {"closed", "@old"} if snapshots else {"closed"}
            assert subvolumes.seen(made.partition(2), tmp_path) == kinds | {
                "all": {*trees}, "closed": closed,
            }  # fmt: skip
            assert differences(wanted, made.partition(2), tmp_path) == []

    labels = {f"2:{name}" for name in trees}
    for report in (told, first, second):
        trees_told = [part for part in report["parts"] if part["label"] in {"2", *labels}]
        assert len(trees_told) == 1 + len(labels)
        assert {part["grade"] for part in trees_told} == {"read-only"}
        left = [(one["kind"], one["what"]) for one in report["findings"]]
        assert left == ([] if snapshots else [("left out", f"{device}: snapshot /@old")])
    assert got.read_text() == "between two captures\n"
    assert {part["how"] for part in told["parts"] if part["label"] in labels} == {"private mount"}


def test_what_a_slot_was_rolled_back_to_is_no_snapshot_that_was_kept(tmp_path: Path) -> None:
    """An update makes a snapshot, and boots from it: only a read-only one is surely a kept one."""
    with (
        boards.kept_nearby(tmp_path, tmp_path / "root") as kept,
        board(tmp_path, lambda disk: slot(tmp_path, disk)) as live,
    ):
        with loop.mounted(live.disk.partition(2), tmp_path / "slot", options="subvolid=5") as top:
            programs.run("btrfs", "subvolume", "snapshot", top / "@", top / "@next")
            (top / "@next/settings").write_text("of the system that boots\n")
        report = captured(kept)
        got = tmp_path / "got"
        holdstill("get", "pier-3", "2:/@next/settings", "--to", got, "--store", kept.store)
    assert "2:@next" in {part["label"] for part in report["parts"]}
    assert [one["what"].partition(": ")[2] for one in report["findings"]] == ["snapshot /@old"]
    assert got.read_text() == "of the system that boots\n"


def test_a_subvolume_of_a_spare_slot_that_the_owner_leaves_out(tmp_path: Path) -> None:
    more = "leave_out: ['2:@/var/lib/machines']\n"
    with (
        board(tmp_path, lambda disk: slot(tmp_path, disk)) as live,
        boards.kept_nearby(tmp_path, live.root, more=more) as kept,
    ):
        report = captured(kept)

    kinds = {one["what"].partition(": ")[2]: one["kind"] for one in report["findings"]}
    assert kinds == {"snapshot /@old": "left out", "subvolume /@/var/lib/machines": "left out"}
    assert "2:@/var/lib/machines" not in {part["label"] for part in report["parts"]}
    assert "2:@home" in {part["label"] for part in report["parts"]}


def test_one_that_is_written_to_meanwhile_is_live_in_all_of_its_trees(tmp_path: Path) -> None:
    with (
        board(tmp_path, lambda disk: slot(tmp_path, disk)) as live,
        boards.kept_nearby(tmp_path, live.root) as kept,
    ):
        last = SLOT // 512 - 1  # which no file has
        device = live.disk.partition(2)
        dd = f"dd if=/dev/urandom of={device} bs=512 seek={last} count=1 conv=notrunc,fsync"
        script = f"while :; do {dd} 2>/dev/null; sleep 0.1; done"
        with subprocess.Popen(["/bin/sh", "-c", script]) as writer:
            try:
                report = captured(kept, ends=DEGRADED)
            finally:
                writer.kill()

    grades = {part["label"]: part["grade"] for part in report["parts"]}
    assert {grades[f"2:{name}"] for name in TREES} == {grades["2"]} == {"live"}


def odd_name(folder: Path, disk: LoopDisk) -> None:
    """Have a subvolume whose name no settings, and no manifest, could call."""
    slot(folder, disk)
    with loop.mounted(disk.partition(2), folder / "slot", options="subvolid=5") as top:
        words = ("sh", "-c", 'cd "$0" && btrfs subvolume create "$(printf "odd\\377")"', top)
        programs.run(*words)


def two_devices(folder: Path, disk: LoopDisk) -> None:
    both = (disk.partition(2), disk.partition(3))
    programs.run(
        "mkfs.btrfs", "-q", "-U", str(uuid.uuid4()), "-f", "-m", "raid1", "-d", "raid1", *both
    )
    with loop.mounted(both[0], folder / "slot") as top:
        subvolumes.make(top)


@pytest.mark.parametrize(
    ("fill", "numbers", "why"),
    [
        (odd_name, [2], "subvolumes that cannot be captured"),
        (two_devices, [2, 3], "several devices"),
    ],
)
def test_what_files_could_not_tell_is_copied_as_it_is(
    tmp_path: Path, fill: Callable[[Path, LoopDisk], None], numbers: list[int], why: str
) -> None:
    with boards.kept_nearby(tmp_path, tmp_path / "root") as kept:
        with board(tmp_path, lambda disk: fill(tmp_path, disk)) as live:
            slots = [live.disk.partition(number) for number in numbers]
            told = inspected(kept)
            before = [digest(device) for device in slots]
            report = captured(kept)
            # The kernel goes on knowing all of its devices, so that the board can mount it.
            with loop.mounted(slots[0], tmp_path / "slot", options="ro,subvolid=5") as top:
                assert (top / "of the top").exists()
        image = tmp_path / "rebuilt.img"
        words = ("rebuild", "pier-3", image, "--store", kept.store)
        holdstill(*words, accepted=[boards.NO_KERNEL])
    programs.run("btrfs", "device", "scan", "--forget")
    with loop.attached(image) as made:
        assert [digest(made.partition(number)) for number in numbers] == before

    (about,) = [part for part in told["parts"] if part["label"] == "2"]
    assert about["how"] == "raw"
    assert why in about["why"]
    assert report["findings"] == []


def test_a_kernel_that_mounts_nothing_in_private_has_it_copied_as_it_is(tmp_path: Path) -> None:
    with boards.kept_nearby(tmp_path, tmp_path / "root") as kept:
        with board(tmp_path, lambda disk: slot(tmp_path, disk)) as live:
            before = digest(live.disk.partition(2))
            words = ["capture", "--settings", str(kept.settings), "--json"]
            report = json.loads(on_an_older_kernel(words))
        words = ["rebuild", "pier-3", str(tmp_path / "rebuilt.img"), "--store", str(kept.store)]
        holdstill(*words, accepted=[boards.NO_KERNEL])
    with loop.attached(tmp_path / "rebuilt.img") as made:
        assert digest(made.partition(2)) == before

    assert report["findings"] == []
    assert {part["label"] for part in report["parts"]} == {"1", "2", "3", "4"}


def on_an_older_kernel(words: Sequence[str]) -> bytes:
    program = (sys.executable, older_kernel.__file__, str(older_kernel.FSOPEN))
    done = subprocess.run(
        [*program, sys.executable, "-m", "holdstill", *words], capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout


@pytest.mark.parametrize("mounted", [None, 2, 3], ids=["neither", "first", "second"])
def test_two_copies_with_one_uuid_are_never_taken_for_each_other(
    tmp_path: Path, mounted: int | None
) -> None:
    """As dd makes them; each has been written to since, so that their generations differ."""

    def fill(disk: LoopDisk) -> None:
        slot(tmp_path, disk)
        first, second = disk.partition(2), disk.partition(3)
        programs.run("btrfs", "device", "scan", "--forget")
        programs.run("dd", f"if={first}", f"of={second}", "bs=4M", "conv=fsync", "status=none")
        for device, times in ((first, 1), (second, 4)):
            for turn in range(times):
                with loop.mounted(device, tmp_path / "slot", options="subvolid=5") as top:
                    (top / "@home/own").write_text(f"{device.name} {turn}\n")
            programs.run("btrfs", "device", "scan", "--forget")

    with boards.kept_nearby(tmp_path, tmp_path / "root") as kept:
        with board(tmp_path, fill) as live, ExitStack() as undo:
            wanted = {}
            for number in (2, 3):
                wanted[number] = subvolumes.trees_of(live.disk.partition(number), tmp_path)
                programs.run("btrfs", "device", "scan", "--forget")
            if mounted:
                at, options = live.root / "slot", "subvolid=5"
                device = live.disk.partition(mounted)
                undo.enter_context(loop.mounted(device, at, options=options))
                undo.enter_context(loop.thaw_guard(at, seconds=20))
            report = captured(kept)
            undo.close()
            own = [(live.disk.partition(number).name, number) for number in (2, 3)]
        rebuilt(kept, tmp_path / "rebuilt.img")
        for name, number in own:
            to = tmp_path / name
            holdstill("get", "pier-3", f"{number}:/@home/own", "--to", to, "--store", kept.store)
            assert to.read_text().startswith(f"{name} ")
    with loop.attached(tmp_path / "rebuilt.img") as made:
        for number in (2, 3):
            programs.run("btrfs", "device", "scan", "--forget")
            programs.run("btrfs", "check", "--readonly", made.partition(number))
            assert differences(wanted[number], made.partition(number), tmp_path) == []

    assert {part["label"] for part in report["parts"]} >= {
        f"{number}:{name}" for number in (2, 3) for name in TREES
    }
