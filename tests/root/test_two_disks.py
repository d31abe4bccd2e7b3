"""A board that boots from a card and has its root on a second disk: one capture, one instant.

The judges are not ours: sfdisk, e2fsck, fsck.vfat, and the kernel with rsync.
"""

from __future__ import annotations

import json
import os
import sys
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from support import boards, edge_case_tree, loop, programs
from support.boards import holdstill
from support.loop import MIB, LoopDisk

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.timeout(240)
CARD = """\
label: dos
label-id: 0x9a3c5d2e
start=8192, size=81920, type=c, bootable
start=90112, size=65536, type=83
"""
SECOND = """\
label: dos
label-id: 0x11223344
start=2048, size=16384, type=82
start=18432, type=83
"""
GPT_SECOND = """\
label: gpt
label-id: 6E1FB2A0-1111-4222-8333-444455556666
start=2048, size=16384, type=0657FD6D-A4AB-43C4-84E5-0933C84B4F4F
start=18432, type=0FC63DAF-8483-4772-8E79-3D69D8477DE4, uuid=0D2C7F55-8E41-4C53-9F8F-5D1E7A9B3C44
"""
FSTAB = """\
PARTUUID={root} / ext4 defaults,noatime 0 1
PARTUUID=9a3c5d2e-02 /boot ext4 defaults 0 2
"""


@dataclass(frozen=True)
class TwoDisks:
    card: LoopDisk
    second: LoopDisk
    root: Path


@contextmanager
def running(
    folder: Path, *, second: str = SECOND, root: str = "11223344-02"
) -> Iterator[TwoDisks]:
    """Hold a board: a FAT and /boot on a card, swap and / on a second disk."""
    card = loop.partitioned_image(folder / "card.img", size=96 * MIB, script=CARD)
    other = loop.partitioned_image(folder / "second.img", size=192 * MIB, script=second)
    with loop.attached(card) as first, loop.attached(other) as disk:
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", first.partition(1))
        boards.fill_boot(first.partition(1), folder)
        programs.run("mkfs.ext4", "-q", first.partition(2))
        programs.run("mkswap", disk.partition(1))
        programs.run("mkfs.ext4", "-q", disk.partition(2))
        with loop.mounted(disk.partition(2), folder / "root") as at, loop.thaw_guard(at):
            for name in ("boot", "etc", "home"):
                (at / name).mkdir()
            (at / "etc/fstab").write_text(FSTAB.format(root=root))
            (at / "home/readings").write_bytes(b"tide\n" * 10_000)
            with (
                loop.mounted(first.partition(2), at / "boot") as boot,
                loop.thaw_guard(boot, seconds=120),
            ):
                (boot / "marker").write_text("of the card\n")
                yield TwoDisks(first, disk, at)


def table(image: Path) -> list[tuple[object, ...]]:
    answer = json.loads(programs.run("sfdisk", "--json", image))["partitiontable"]
    rows = [(row["start"], row["type"], row.get("uuid")) for row in answer["partitions"]]
    return [(answer["label"], answer["id"]), *rows]


def same_files(partition: Path, true: Path, folder: Path, *, but: tuple[str, ...] = ()) -> None:
    """Check by the kernel and rsync that a partition has every name, byte and attribute."""
    with loop.mounted(partition, folder / "rebuilt", options="ro,noload") as at:
        said = programs.run(
            "rsync", "-aHAXxn", "--checksum", "--delete", "--itemize-changes", "--numeric-ids",
            *(f"--exclude=/{name}" for name in but), f"{true}/", f"{at}/", timeout=120,
        )  # fmt: skip
    assert said.decode(errors="replace").splitlines() == []


def in_fat(partition: Path, name: str) -> str:
    return programs.run("mtype", "-i", partition, f"::/{name}").decode()


@pytest.mark.parametrize(
    ("second", "root"),
    [(SECOND, "11223344-02"), (GPT_SECOND, "0d2c7f55-8e41-4c53-9f8f-5d1e7a9b3c44")],
    ids=["mbr", "gpt"],
)
def test_each_disk_is_rebuilt_on_a_target_of_its_own(
    tmp_path: Path, second: str, root: str
) -> None:
    with running(tmp_path, second=second, root=root) as board:
        edge_case_tree.build(board.root / "home", big_directory=100)
        (board.root / "home" / edge_case_tree.HUGE.decode()).unlink()
        with board.second.device.open("r+b") as device:
            device.write(b"\xeb\x3c" + b"boot code of the second disk")
        with boards.kept(tmp_path, boards.Board(board.second, board.root)) as kept:
            inspected = json.loads(
                holdstill("inspect", "--settings", kept.settings, "--offline", "--json")
            )
            report = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
            store = ("--store", kept.store)
            shown = json.loads(holdstill("show", "pier-3", *store, "--json"))
            words = holdstill("show", "pier-3", *store).decode()
            for place, disk in enumerate((board.card, board.second), start=1):
                target = tmp_path / f"disk-{place}.img"
                said = json.loads(holdstill("rebuild", "pier-3", target, "--disk", place, "--size",
                                            "140M", *store, "--json", accepted=[8]))  # fmt: skip
                assert said["checked_entries"] == said["entries"] > 0
                assert table(target) == table(disk.image)
                programs.run("sfdisk", "--verify", target)
                checked = ("verify", "pier-3", "--card", target, "--disk", place, *store, "--json")
                assert json.loads(holdstill(*checked))["total"] == 0
                with loop.attached(target) as rebuilt:
                    programs.run("e2fsck", "-fn", rebuilt.partition(2))
                    true = board.root / "boot" if place == 1 else board.root
                    same_files(rebuilt.partition(2), true, tmp_path)
                    if place == 1:
                        programs.run("fsck.vfat", "-n", rebuilt.partition(1))
                        assert in_fat(rebuilt.partition(1), "cmdline.txt").startswith("root=")
                    else:
                        assert rebuilt.device.read_bytes()[:30] == disk.device.read_bytes()[:30]

    assert [disk["device"] for disk in inspected["disks"]] == [
        str(board.card.device), str(board.second.device),
    ]  # fmt: skip
    assert inspected["findings"] == report["findings"] == []
    assert {part["number"]: part["grade"] for part in report["parts"]} == {
        1: "read-only", 2: "point-in-time", 1001: "read-only", 1002: "point-in-time",
    }  # fmt: skip
    assert [place["disk"]["device"] for place in shown["further_disks"]] == [
        str(board.second.device)
    ]
    assert "Disk 1:" in words
    assert "Disk 2:" in words


def test_all_disks_become_one_larger_that_names_its_own_partitions(tmp_path: Path) -> None:
    with running(tmp_path) as board:
        fat = board.card.partition(1)
        node = f"{board.second.partition(2)}"
        (tmp_path / "cmdline.txt").write_text("root=PARTUUID=11223344-02 rootwait\n")
        (tmp_path / "boot.ini").write_text(f"root={node} ro\n")
        for name in ("cmdline.txt", "boot.ini"):
            programs.run("mcopy", "-o", "-Q", "-i", fat, tmp_path / name, "::/")
        with boards.kept_nearby(tmp_path, board.root) as kept:
            holdstill("capture", "--settings", kept.settings)
            store = ("--store", kept.store)
            target = tmp_path / "one.img"
            said = json.loads(holdstill("rebuild", "pier-3", target, "--disk", "all", *store,
                                        "--json", accepted=[8]))  # fmt: skip
            checked = ("verify", "pier-3", "--card", target, "--disk", "all", *store, "--json")
            assert json.loads(holdstill(*checked))["total"] == 0
            small = tmp_path / "small.img"
            holdstill("rebuild", "pier-3", small, "--disk", "all", "--size", "180M", *store,
                      accepted=[8])  # fmt: skip
            holdstill("rebuild", "pier-3", tmp_path / "slipway.img", "--disk", "all", "--as",
                      "slipway-1", *store, accepted=[8])  # fmt: skip
        assert said["checked_entries"] == said["entries"]
        for image in (target, small):
            rows = table(image)
            assert rows[0] == ("dos", "0x9a3c5d2e")
            assert [row[1] for row in rows[1:]] == ["c", "83", "82", "83"]
            programs.run("sfdisk", "--verify", image)
            with loop.attached(image) as one:
                programs.run("e2fsck", "-fn", one.partition(2))
                programs.run("e2fsck", "-fn", one.partition(4))
                same_files(one.partition(2), board.root / "boot", tmp_path)
                same_files(one.partition(4), board.root, tmp_path, but=("etc/fstab",))
                assert in_fat(one.partition(1), "cmdline.txt") == (
                    "root=PARTUUID=9a3c5d2e-04 rootwait\n"
                )
                assert in_fat(one.partition(1), "boot.ini") == "root=PARTUUID=9a3c5d2e-04 ro\n"
                with loop.mounted(one.partition(4), tmp_path / "at", options="ro,noload") as at:
                    fstab = (at / "etc/fstab").read_text()
                assert fstab == FSTAB.format(root="9a3c5d2e-04")
        with loop.attached(tmp_path / "slipway.img") as other:
            (disk_id,) = programs.run("sfdisk", "--disk-id", other.device).decode().split()
            told = in_fat(other.partition(1), "cmdline.txt")
            told_node = in_fat(other.partition(1), "boot.ini")
    assert disk_id != "0x9a3c5d2e"
    assert told == f"root=PARTUUID={disk_id[2:]}-04 rootwait\n"
    assert told_node == f"root=PARTUUID={disk_id[2:]}-04 ro\n"
    assert any("must be able to start from this one medium" in note for note in said["notes"])


def test_the_disk_has_to_be_named_and_nothing_is_written_before(tmp_path: Path) -> None:
    with running(tmp_path) as board, boards.kept_nearby(tmp_path, board.root) as kept:
        holdstill("capture", "--settings", kept.settings)
        target, store = tmp_path / "x.img", ("--store", kept.store)
        for more in ((), ("--disk", 3), ("--disk", 1, "--as", "slipway-1"), ("--disk", "x")):
            holdstill("rebuild", "pier-3", target, *more, *store, accepted=[2])
            holdstill("rebuild", "pier-3", target, *more, "--dry-run", *store, accepted=[2])
        words = (sys.executable, "-m", "holdstill", "rebuild", "pier-3", str(target))
        said = programs.attempt(*words, *map(str, store)).stderr.decode()

    assert not target.exists()
    assert f"disk 2 (192.0 MiB, {board.second.device}" in " ".join(said.split())
    assert "--disk all" in said


def test_a_disk_that_is_none_is_named(tmp_path: Path) -> None:
    with running(tmp_path) as board, boards.kept_nearby(tmp_path, board.root) as kept:
        text, said = kept.settings.read_text(), []
        for device in (board.card.partition(1), "/dev/no-such-disk"):
            kept.settings.write_text(f"{text}disks: [auto, {device}]\n")
            words = (sys.executable, "-m", "holdstill", "capture", "--settings", kept.settings)
            done = programs.attempt(*words)
            assert done.returncode == 4
            said.append(done.stderr.decode())

    assert f"{board.card.partition(1)} is a partition" in said[0]
    assert "/dev/no-such-disk" in said[1]


@contextmanager
def nameless(image: Path) -> Iterator[None]:
    """Hold a file without a name: a loop device of one is not known for a file of this machine."""
    spare = image.with_suffix(".spare")
    os.link(image, spare)
    image.unlink()
    try:
        yield
    finally:
        spare.rename(image)


def test_a_disk_of_data_is_named_and_left_out_until_it_is_asked_for(tmp_path: Path) -> None:
    with boards.running(tmp_path) as board:
        image = loop.partitioned_image(tmp_path / "data.img", size=64 * MIB, script=SECOND)
        with loop.attached(image) as disk:
            programs.run("mkfs.ext4", "-q", disk.partition(2))
            with (
                nameless(image),
                loop.mounted(disk.partition(2), board.root / "data") as data,
                loop.thaw_guard(data),
                boards.kept_nearby(tmp_path, board.root) as kept,
            ):
                (data / "readings").write_bytes(b"tide\n" * 1000)
                settings = ("--settings", kept.settings)
                first = json.loads(holdstill("capture", *settings, "--json"))
                line = f"disks: [auto, {disk.device}]"
                kept.settings.write_text(f"{kept.settings.read_text()}{line}\n")
                second = json.loads(holdstill("capture", *settings, "--json"))
                third = json.loads(holdstill("capture", *settings, "--json"))

    (finding,) = first["findings"]
    assert (finding["kind"], finding["what"]) == ("left out", "/data")
    assert line in finding["why"]
    assert second["findings"] == third["findings"] == []
    assert [part["number"] for part in second["parts"]] == [1, 2, 1001, 1002]
    assert second["new_bytes"] >= 5000 > third["hashed_bytes"]
