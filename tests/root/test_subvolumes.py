"""A btrfs with subvolumes: all of them are captured, and made again as they were.

The kernel, btrfs-progs and rsync are the witnesses; the old card stays attached meanwhile.
"""

from __future__ import annotations

import json
import subprocess
import uuid
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from holdstill.model import entries as entry_streams
from support import boards, loop, programs, subvolumes
from support.boards import holdstill
from support.loop import MIB, LoopDisk
from support.subvolumes import TREES

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


pytestmark = pytest.mark.timeout(240)
UUID = str(uuid.uuid4())
SCRIPT = boards.MBR.replace("start=90112, type=83", f"start=90112, size={400 * 2048}, type=83")
LARGE = 17 << 20


@contextmanager
def btrfs_disk(folder: Path) -> Iterator[LoopDisk]:
    """Hold a card with @ for the root and @home for /home, and more that is in no fstab."""
    image = loop.partitioned_image(folder / "card.img", size=460 * MIB, script=SCRIPT)
    with loop.attached(image) as disk:
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", disk.partition(1))
        boards.fill_boot(disk.partition(1), folder)
        device = disk.partition(2)
        programs.run("mkfs.btrfs", "-q", "-U", UUID, "-L", "rootfs", device)
        with loop.mounted(device, folder / "top") as top:
            subvolumes.make(top)
            for name in ("etc", "home"):
                (top / "@" / name).mkdir()
            (top / "@/etc/fstab").write_text(
                f"UUID={UUID} / btrfs subvol=@ 0 0\nUUID={UUID} /home btrfs subvol=@home 0 0\n"
            )
        yield disk


@contextmanager
def running(disk: LoopDisk, folder: Path) -> Iterator[Path]:
    """Hold the board of this card running, as its fstab says."""
    device = disk.partition(2)
    with (
        loop.mounted(device, folder / "root", options="noatime,subvol=@") as root,
        loop.thaw_guard(root, seconds=60),
        loop.mounted(device, root / "home", options="subvol=@home"),
    ):
        yield root


def test_subvolumes_come_back_with_their_flags_and_the_default(tmp_path: Path) -> None:
    got, one = tmp_path / "got", tmp_path / "one"
    with btrfs_disk(tmp_path) as disk:
        device = disk.partition(2)
        with boards.kept_nearby(tmp_path, tmp_path / "root") as kept:
            settings, store = ("--settings", kept.settings), ("--store", kept.store)
            with running(disk, tmp_path) as root:
                (root / "home/database").write_bytes(b"tide" * (LARGE // 4))
                holdstill("capture", *settings)
                change(root)
                report = json.loads(holdstill("capture", *settings, "--json"))
            words = holdstill("show", "pier-3", *store).decode()
            shown = json.loads(holdstill("show", "pier-3", *store, "--json"))
            holdstill("get", "pier-3", "/var/lib/machines", "--to", got, *store)
            holdstill("get", "pier-3", "2:/@/srv/two words/later", "--to", one, *store)
            true, kinds = subvolumes.trees_of(device, tmp_path), subvolumes.seen(device, tmp_path)
            # The old card is attached all the time: another btrfs with the same UUID.
            for size in ("460M", "600M"):
                image = tmp_path / f"{size}.img"
                made_of = ("rebuild", "pier-3", image, "--size", size, *store, "--json")
                rebuilt = json.loads(holdstill(*made_of, accepted=[boards.NO_KERNEL]))
                assert rebuilt["checked_entries"] == rebuilt["entries"]
                card = ("verify", "pier-3", "--card", image, *store, "--json")
                assert json.loads(holdstill(*card))["total"] == 0
                booted = json.loads(holdstill("bootcheck", image, "--json", accepted=[8]))
                assert [link["state"] for link in booted["system"]] == ["unknown"]
            sibling = ("rebuild", "pier-3", tmp_path / "slipway.img", "--as", "slipway-1", *store)
            holdstill(*sibling, accepted=[boards.NO_KERNEL])
    with loop.attached(tmp_path / "slipway.img") as other:
        device_uuid = ("blkid", "--probe", "--match-tag", "UUID", "--output", "value")
        new = programs.run(*device_uuid, other.partition(2)).decode().strip()
        with loop.mounted(other.partition(2), tmp_path / "slipway", options="ro") as at:
            fstab = (at / "etc/fstab").read_text()
    assert new != UUID
    assert fstab == f"UUID={new} / btrfs subvol=@ 0 0\nUUID={new} /home btrfs subvol=@home 0 0\n"
    for size in ("460M", "600M"):
        with loop.attached(tmp_path / f"{size}.img") as disk:
            made = disk.partition(2)
            programs.run("btrfs", "check", "--readonly", made)
            again = subvolumes.seen(made, tmp_path)
            assert again["all"] == {*TREES}
            assert again == kinds | {"all": {*TREES}, "closed": {"closed"}}
            rebuilt_trees = subvolumes.trees_of(made, tmp_path)
            for name in ("", *TREES):
                pair = subvolumes.in_order(true[name]), subvolumes.in_order(rebuilt_trees[name])
                assert list(entry_streams.differences(*pair)) == [], name
            # What the board's own fstab says leads where it did.
            with loop.mounted(made, tmp_path / "at", options="ro") as at:
                assert (at / "etc/fstab").exists()
    (finding,) = report["findings"]
    assert (finding["kind"], finding["what"]) == ("left out", f"{device}: snapshot /@old")
    assert {part["mount"] for part in shown["parts"]} >= {
        "/", "/home", "/var/lib/machines", "/srv/two words",
    }  # fmt: skip
    assert {part["grade"] for part in report["parts"]} == {"read-only", "point-in-time"}
    assert "2:@/var/lib/machines" in words
    assert sorted(path.name for path in got.rglob("*")) == ["folder", "link", "other name"]
    assert one.read_text() == "in a subvolume that is not mounted\n"


def change(root: Path) -> None:
    """Change something in several subvolumes, also in such as are not mounted."""
    (root / "home/later").write_text("between two captures\n")
    (root / "srv/two words/later").write_text("in a subvolume that is not mounted\n")
    (root / "var/lib/machines/folder/reading").unlink()
    with (root / "home/database").open("r+b") as opened:
        opened.seek(3 << 20)
        opened.write(b"changed")


def test_what_is_excluded_comes_back_as_an_empty_subvolume(tmp_path: Path) -> None:
    more = "exclude: [/var, /srv]\n"
    with btrfs_disk(tmp_path) as disk:
        with (
            running(disk, tmp_path) as root,
            boards.kept_nearby(tmp_path, root, more=more) as kept,
        ):
            report = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
        image = tmp_path / "rebuilt.img"
        words = ("rebuild", "pier-3", image, "--store", kept.store)
        holdstill(*words, accepted=[boards.NO_KERNEL])
    with loop.attached(image) as made, loop.mounted(made.partition(2), tmp_path / "at") as at:
        assert list((at / "var/lib/machines").iterdir()) == []
        assert list((at / "srv/two words").iterdir()) == []
        said = programs.run("btrfs", "subvolume", "list", at).decode()
    assert "path var/lib/machines" in said
    told = {one["what"]: one["why"] for one in report["findings"] if one["kind"] == "left out"}
    assert "all that is in there stays out, for `exclude` has /var" in told["/var/lib/machines"]
    assert "for `exclude` has /srv" in told["/srv/two words"]


@pytest.mark.parametrize("word", ["/var/lib/machines", "'2:@/var/lib/machines'"])
def test_a_subvolume_that_the_owner_leaves_out(tmp_path: Path, word: str) -> None:
    more = f"leave_out: [{word}]\n"
    with (
        btrfs_disk(tmp_path) as disk,
        running(disk, tmp_path) as root,
        boards.kept_nearby(tmp_path, root, more=more) as kept,
    ):
        report = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
        inspected = holdstill("inspect", "--settings", kept.settings, "--offline").decode()

    found = {finding["what"].partition(": ")[2]: finding["kind"] for finding in report["findings"]}
    assert found == {
        "snapshot /@old": "left out",
        "subvolume /@/var/lib/machines": "left out",
    }
    assert "2:@/var/lib/machines" not in [part["label"] for part in report["parts"]]
    assert "leave_out: nothing" not in inspected


def test_snapshots_are_captured_when_they_are_asked_for(tmp_path: Path) -> None:
    with (
        btrfs_disk(tmp_path) as disk,
        running(disk, tmp_path) as root,
        boards.kept_nearby(tmp_path, root, more="snapshots: true\n") as kept,
    ):
        report = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
        got = tmp_path / "got"
        holdstill("get", "pier-3", "2:/@old/folder/reading", "--to", got, "--store", kept.store)

    assert report["findings"] == []
    assert got.read_text() == "of @home\n"


def test_a_root_that_was_rolled_back_to_keeps_the_folders_of_what_its_origin_had(
    tmp_path: Path,
) -> None:
    """A snapshot has an empty folder in the place of each subvolume that its origin had."""
    with btrfs_disk(tmp_path) as disk:
        device = disk.partition(2)
        with loop.mounted(device, tmp_path / "top", options="subvolid=5") as top:
            programs.run("btrfs", "subvolume", "snapshot", top / "@", top / "@roll")
            there = sorted(str(path.relative_to(top / "@roll")) for path in dirs(top / "@roll"))
        options = "noatime,subvol=@roll"
        with loop.mounted(device, tmp_path / "root", options=options) as root:  # noqa: SIM117
            with loop.thaw_guard(root, seconds=60), boards.kept_nearby(tmp_path, root) as kept:
                holdstill("capture", "--settings", kept.settings)
                again = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
        image = tmp_path / "rebuilt.img"
        holdstill("rebuild", "pier-3", image, "--store", kept.store, accepted=[boards.NO_KERNEL])
        with loop.attached(image) as made:
            at = loop.mounted(made.partition(2), tmp_path / "at", options="ro,subvol=@roll")
            with at as mounted:
                found = sorted(str(path.relative_to(mounted)) for path in dirs(mounted))
    assert found == there
    assert "var/lib/machines" in found
    assert again["hashed_bytes"] == 0


def dirs(top: Path) -> list[Path]:
    return [path for path in top.rglob("*") if path.is_dir() and not path.is_symlink()]


def test_a_top_that_is_mounted_below_run_takes_nothing_away(tmp_path: Path) -> None:
    with (
        btrfs_disk(tmp_path) as disk,
        running(disk, tmp_path) as root,
        loop.mounted(disk.partition(2), root / "run/home", options="subvol=@home"),
        loop.mounted(disk.partition(2), root / "run/top", options="subvolid=5"),
        boards.kept_nearby(tmp_path, root) as kept,
    ):
        (root / "home/letter").write_text("dear keeper\n")
        (root / "run/top/loose").write_text("beside the subvolumes\n")
        holdstill("capture", "--settings", kept.settings)
        for path in ("/home/letter", "2:/loose", "2:/closed/folder/reading"):
            to = tmp_path / path.rpartition("/")[2]
            holdstill("get", "pier-3", path, "--to", to, "--store", kept.store)
            assert to.stat().st_size > 0


def test_what_is_written_meanwhile_is_of_one_instant_in_all_subvolumes(tmp_path: Path) -> None:
    script = (
        "i=0; while i=$((i+1)); do "
        'echo $i > "$0/home/count.new" && mv "$0/home/count.new" "$0/home/count"; '
        'echo $i > "$0/srv/two words/count.new" && '
        'mv "$0/srv/two words/count.new" "$0/srv/two words/count"; sleep 0.01; done'
    )
    with (
        btrfs_disk(tmp_path) as disk,
        running(disk, tmp_path) as root,
        boards.kept_nearby(tmp_path, root) as kept,
        subprocess.Popen(["/bin/sh", "-c", script, str(root)]) as writer,
    ):
        try:
            for _ in range(3):
                holdstill("capture", "--settings", kept.settings)
        finally:
            writer.kill()
        counts = []
        for seq in (1, 2, 3):
            pair: list[int] = []
            for path in ("/home/count", "/srv/two words/count"):
                got = tmp_path / f"{seq}-{len(pair)}"
                holdstill("get", f"pier-3/{seq}", path, "--to", got, "--store", kept.store)
                pair.append(int(got.read_text()))
            counts.append(tuple(pair))

    assert all(first - second in {0, 1} for first, second in counts), counts
    assert [first for first, _ in counts] == sorted({first for first, _ in counts})


CHANGES = {
    "replaced": "btrfs subvolume delete '{}'; btrfs subvolume create '{}'; echo other > '{}/x'",
    "deleted": "btrfs subvolume delete '{}'",
    "a directory instead": "btrfs subvolume delete '{}' && mkdir '{}' && echo plain > '{}/x'",
    "moved": "mv '{}' '{}2'",
    "read-only": "btrfs property set -ts '{}' ro true",
    "no default any more": "btrfs subvolume set-default 5 '{}'",
}


EVERY_DAY = {"replaced", "a directory instead"}
SLOW_ONES = [
    pytest.param(change, marks=() if change in EVERY_DAY else pytest.mark.slow)
    for change in CHANGES
]


@pytest.mark.parametrize("change", SLOW_ONES)
def test_subvolumes_that_change_during_a_capture_end_it(tmp_path: Path, change: str) -> None:
    with btrfs_disk(tmp_path) as disk, running(disk, tmp_path) as root:
        words = json.dumps(CHANGES[change].replace("{}", str(root / "srv/two words")))
        hook = f"hooks: [{{name: change, how: command, quiesce: [/bin/sh, -ec, {words}]}}]\n"
        with boards.kept_nearby(tmp_path, root, more=hook) as kept:
            settings, store = ("--settings", kept.settings), ("--store", kept.store)
            holdstill("capture", *settings, accepted=[5])
            assert json.loads(holdstill("list", *store, "--json"))["boards"]["pier-3"] == []
            kept.settings.write_text(kept.settings.read_text().replace(hook, ""))
            holdstill("capture", *settings)
