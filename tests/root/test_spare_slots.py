"""Partitions that the board has not mounted, and system images: captured, and rebuilt.

e2fsck, xfs_repair, btrfs check, unsquashfs and the kernel judge what comes of it; the tree is
compared by a witness of tests/support, which shares no code with the product.
"""

import hashlib
import json
import os
import subprocess
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import msgspec
import pytest

from holdstill.model import entries as entry_streams
from holdstill.model.entries import Entry
from support import boards, loop, programs, reference_tree
from support.boards import Board, Nearby, holdstill
from support.contents import in_order
from support.loop import MIB, LoopDisk

pytestmark = pytest.mark.timeout(240)
SPARE_SIZE = {"xfs": 340 * MIB, "btrfs": 140 * MIB}
"""What mkfs.xfs and mkfs.btrfs make at least, and some more; other slots are `USUAL_SIZE`."""
USUAL_SIZE = 100 * MIB
UUID = str(uuid.uuid4())
"""Another one in each run: mkfs.btrfs refuses one that blkid(8) remembers of an earlier one."""
MAKE = {
    "ext2": ("mkfs.ext2", "-q", "-U", UUID, "-L", "slot-b"),
    "ext3": ("mkfs.ext3", "-q", "-U", UUID, "-L", "slot-b"),
    "ext4": ("mkfs.ext4", "-q", "-U", UUID, "-L", "slot-b"),
    "ext4 with mmp": ("mkfs.ext4", "-q", "-O", "mmp", "-U", UUID, "-L", "slot-b"),
    "xfs": ("mkfs.xfs", "-q", "-m", f"uuid={UUID}", "-L", "slot-b"),
    "btrfs": ("mkfs.btrfs", "-q", "-U", UUID, "-L", "slot-b"),
}
CHECK = {
    "ext2": ("e2fsck", "-fn"),
    "ext3": ("e2fsck", "-fn"),
    "ext4": ("e2fsck", "-fn"),
    "ext4 with mmp": ("e2fsck", "-fn"),
    "xfs": ("xfs_repair", "-n"),
    "btrfs": ("btrfs", "check", "--readonly"),
}
QUIET = {"xfs": "ro,norecovery,nouuid"}
TMP = "tmp"
"""A folder whose contents would stay out of the root file system."""


def sectors(kind: str) -> int:
    """Return how many sectors a spare slot of a kind has."""
    return SPARE_SIZE.get(kind, USUAL_SIZE) // 512


def table(kind: str) -> str:
    """Return the partitions of a card whose spare slot is of a kind, for sfdisk."""
    return f"""\
label: dos
label-id: 0x9a3c5d2e
start=8192, size=81920, type=c, bootable
start=90112, size={sectors(kind)}, type=83
start={90112 + sectors(kind)}, type=83
"""


@contextmanager
def board(
    folder: Path,
    fill: Callable[[Path], object],
    *,
    kind: str = "ext4",
    mkfs: Callable[[Path], Sequence[str]] = lambda _: (),
) -> Iterator[Board]:
    """Hold a board with a mounted ext4 root, and a spare slot before it that fill makes.

    mkfs: further words for making the root, where the slot is at this device.
    """
    size = sectors(kind) * 512 + 140 * MIB
    image = loop.partitioned_image(folder / "card.img", size=size, script=table(kind))
    with loop.attached(image) as disk:
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", "-n", "BOOTFS", disk.partition(1))
        boards.fill_boot(disk.partition(1), folder)
        fill(disk.partition(2))
        more = mkfs(disk.partition(2))
        programs.run("mkfs.ext4", "-q", "-L", "rootfs", *more, disk.partition(3))
        with (
            loop.mounted(disk.partition(3), folder / "root", options="noatime") as at,
            loop.thaw_guard(at, seconds=20),
        ):
            (at / "etc").mkdir()
            (at / "etc/fstab").write_text("LABEL=rootfs / ext4 defaults 0 1\n", encoding="ascii")
            yield Board(disk, at)


def slot(kind: str, folder: Path) -> Callable[[Path], None]:
    """Return what makes a file system with something of everything, cleanly unmounted."""

    def fill(device: Path) -> None:
        programs.run(*(word.replace(UUID, str(uuid.uuid4())) for word in MAKE[kind]), device)
        with loop.mounted(device, folder / "slot") as at:
            (at / "etc").mkdir()
            (at / TMP).mkdir(mode=0o1777)
            (at / TMP / "kept").write_bytes(b"a slot is nobody's /tmp\n")
            (at / "large").write_bytes(os.urandom(20 * MIB))
            os.link(at / "large", at / "etc/also-large")
            (at / "program").write_bytes(b"#!/bin/sh\n")
            os.chown(at / "program", 70_000, 80_000)
            (at / "program").chmod(0o6755)
            programs.run("setcap", "cap_net_raw+ep", at / "program")
            programs.run("setfacl", "-m", "u:1234:rw,d:u:1234:rwx", at / "etc")
            os.mknod(at / "null", 0o20666, os.makedev(1, 3))
            (at / "far").symlink_to("x" * 900)
            for number in range(300):
                (at / f"etc/{number:03}.conf").write_bytes(b"%d\n" % number * number)
            os.utime(at / "etc", ns=(1, 1_000_000_000_987_654_321))

    return fill


def looked_at(device: Path, kind: str, folder: Path) -> list[Entry]:
    """Return what the witness sees in an unmounted file system, in key order."""
    with loop.mounted(device, folder / "look", options=QUIET.get(kind, "ro")) as at:
        return in_order(reference_tree.entries(at).values())


def digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


class ShownPart(msgspec.Struct):
    """What is shown of a partition."""

    number: int
    grade: str
    detection: str
    entries: int


class Shown(msgspec.Struct):
    """What is shown of a capture."""

    parts: list[ShownPart]
    warnings: list[str]


def captured(kept: Nearby, *, ends: int = 0) -> Shown:
    """Take a capture that ends with this code; return what is shown of it."""
    holdstill("capture", "--settings", kept.settings, accepted=[ends])
    said = holdstill("show", "pier-3", "--store", kept.store, "--json")
    return msgspec.json.decode(said, type=Shown)


class Rebuilt(msgspec.Struct):
    """What a rebuild says."""

    entries: int
    checked_entries: int
    notes: list[str]


def rebuilt(kept: Nearby, image: Path) -> Rebuilt:
    said = holdstill(
        "rebuild", "pier-3", image, "--store", kept.store, "--json",
        timeout=200, accepted=[boards.NO_KERNEL],
    )  # fmt: skip
    return msgspec.json.decode(said, type=Rebuilt)


def nearby(folder: Path, *, more: str = "") -> AbstractContextManager[Nearby]:
    return boards.kept_nearby(folder, folder / "root", more=more)


def uuid_of(device: Path) -> bytes:
    return programs.run("blkid", "-p", "-s", "UUID", "-o", "value", device).strip()


@pytest.mark.parametrize("kind", sorted(MAKE))
def test_a_spare_slot_is_captured_by_files_and_comes_back(tmp_path: Path, kind: str) -> None:
    with nearby(tmp_path) as kept:
        with board(tmp_path, slot(kind, tmp_path), kind=kind) as live:
            spare = live.disk.partition(2)
            own = uuid_of(spare)
            before, wanted = digest(spare), looked_at(spare, kind, tmp_path)
            seen = digest(spare)  # the witness's own mount may have changed it
            shown = captured(kept)
            again = captured(kept)
            assert digest(spare) == seen
            assert before == seen or kind == "btrfs"
        image = tmp_path / "rebuilt.img"
        said = rebuilt(kept, image)
        verdict = json.loads(
            holdstill("verify", "pier-3", "--card", image, "--store", kept.store, "--json")
        )

    assert shown.parts[1].grade == again.parts[1].grade == "read-only"
    assert shown.parts[1].entries == len(wanted)
    assert (verdict["total"], verdict["unchecked"]) == (0, [])
    assert said.checked_entries == said.entries > 300
    with loop.attached(image) as disk:
        programs.run(*CHECK[kind], disk.partition(2))
        assert uuid_of(disk.partition(2)) == own
        assert (
            list(entry_streams.differences(wanted, looked_at(disk.partition(2), kind, tmp_path)))
            == []
        )


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
def test_a_slot_that_was_not_unmounted_cleanly_is_copied_with_its_journal(
    tmp_path: Path, kind: str
) -> None:
    def cut_off(device: Path) -> None:
        slot(kind, tmp_path)(device)
        with loop.mounted(device, tmp_path / "slot") as at:
            with (at / "only in the journal").open("wb") as file:
                file.write(b"last words\n")
                file.flush()
                os.fsync(file.fileno())
            copy = Path(tmp_path / "cut.img")
            programs.run("cp", "--sparse=always", device, copy)
        if kind == "btrfs":
            programs.run("btrfs", "device", "scan", "--forget")
        programs.run("dd", f"if={copy}", f"of={device}", "bs=1M", "conv=fsync", "status=none")

    with nearby(tmp_path) as kept:
        with board(tmp_path, cut_off, kind=kind) as live:
            spare = live.disk.partition(2)
            before = digest(spare)
            shown = captured(kept)
            told = json.loads(holdstill("inspect", "--settings", kept.settings, "--json"))
            assert digest(spare) == before
        rebuilt(kept, tmp_path / "rebuilt.img")

    assert shown.parts[1].grade == "read-only"
    assert "journal" in told["parts"][1]["why"]
    if kind == "btrfs":
        programs.run("btrfs", "device", "scan", "--forget")
    with loop.attached(tmp_path / "rebuilt.img") as disk:
        assert digest(disk.partition(2)) == before
        options = "nouuid" if kind == "xfs" else "defaults"
        with loop.mounted(disk.partition(2), tmp_path / "look", options=options) as at:
            assert (at / "only in the journal").read_bytes() == b"last words\n"


def test_a_slot_that_is_written_anew_with_the_same_inodes_is_read_again(tmp_path: Path) -> None:
    """As with images that are made to be reproducible: only the contents tell them apart."""
    source, dates = tmp_path / "tree", {"SOURCE_DATE_EPOCH": "1700000000"}
    source.mkdir()
    (source / "version").write_bytes(b"1" * 8000)
    os.utime(source / "version", ns=(1, 1_700_000_000_000_000_000))

    def write(device: Path) -> None:
        seed = "hash_seed=3e6be9de-8139-11d1-9106-a43f08d823a6"
        subprocess.run(
            ["mkfs.ext4", "-q", "-F", "-U", UUID, "-E", seed, "-d", source, device],
            env={**os.environ, **dates}, check=True,
        )  # fmt: skip

    with nearby(tmp_path) as kept, board(tmp_path, write) as live:
        captured(kept)
        first = gotten(kept, tmp_path / "first")
        (source / "version").write_bytes(b"2" * 8000)
        os.utime(source / "version", ns=(1, 1_700_000_000_000_000_000))
        write(live.disk.partition(2))
        captured(kept)
        second = gotten(kept, tmp_path / "second")

    assert (first[:1], second[:1]) == (b"1", b"2")


def gotten(kept: Nearby, to: Path) -> bytes:
    holdstill("get", "pier-3", "2:/version", "--to", to, "--store", kept.store)
    return to.read_bytes()


def test_a_slot_that_is_written_to_during_a_capture_is_graded_live(tmp_path: Path) -> None:
    with (
        nearby(tmp_path) as kept,
        board(tmp_path, slot("ext4", tmp_path)) as live,
        subprocess.Popen(["/bin/sh", "-c", writer(live.disk)]) as process,
    ):
        try:
            time.sleep(0.3)
            shown = captured(kept, ends=8)
        finally:
            process.kill()

    assert shown.parts[1].grade == "live"
    assert any("partition 2" in warning for warning in shown.warnings)


def writer(disk: LoopDisk) -> str:
    """Write to the last sector of the spare slot, which no file has, again and again."""
    last = sectors("ext4") - 1
    dd = f"dd if=/dev/urandom of={disk.partition(2)} bs=512 seek={last} count=1 conv=notrunc,fsync"
    return f"while :; do {dd} 2>/dev/null; sleep 0.1; done"


@pytest.mark.parametrize("kind", ["squashfs", "erofs"])
@pytest.mark.parametrize("is_mounted", [False, True])
def test_an_immutable_image_is_copied_as_it_is(
    tmp_path: Path, kind: str, *, is_mounted: bool
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "system").write_bytes(os.urandom(40 * MIB))
    made = tmp_path / "made.img"
    if kind == "squashfs":
        programs.run("mksquashfs", tree, made, "-quiet", "-no-progress", "-comp", "gzip")
    else:
        programs.run("mkfs.erofs", "--quiet", made, tree)

    def write(device: Path) -> None:
        programs.run("dd", f"if={made}", f"of={device}", "bs=1M", "conv=fsync", "status=none")

    with nearby(tmp_path) as kept:
        with board(tmp_path, write) as live:
            (live.root / "usr").mkdir()
            spare = live.disk.partition(2)
            before = digest(spare)
            if is_mounted:
                with loop.mounted(spare, live.root / "usr", options="ro", kind=kind):
                    shown = captured(kept)
            else:
                shown = captured(kept)
        rebuilt(kept, tmp_path / "rebuilt.img")

    assert shown.parts[1].grade == "read-only"
    with loop.attached(tmp_path / "rebuilt.img") as disk:
        assert digest(disk.partition(2)) == before
        with loop.mounted(disk.partition(2), tmp_path / "look", options="ro", kind=kind) as at:
            assert digest(at / "system") == digest(tree / "system")


def test_a_partition_that_is_left_out_is_said_to_be_and_comes_back_empty(tmp_path: Path) -> None:
    with nearby(tmp_path, more="leave_out: [2]\n") as kept:
        with board(tmp_path, slot("ext4", tmp_path)):
            shown = captured(kept)
        said = rebuilt(kept, tmp_path / "rebuilt.img")

    left_out = [text for text in shown.warnings if "left out" in text]
    assert len(left_out) == 1
    assert "partition 2" in left_out[0]
    assert (shown.parts[1].entries, shown.parts[1].detection) == (0, "left out")
    assert any("left out of the capture" in note for note in said.notes)
    with loop.attached(tmp_path / "rebuilt.img") as disk:
        assert programs.run("wipefs", "--noheadings", disk.partition(2)) == b""  # no signature
        found = json.loads(programs.run("sfdisk", "--json", disk.image))["partitiontable"]
        assert [row["size"] for row in found["partitions"]][1] == sectors("ext4")


def test_a_journal_on_another_partition_is_made_inside(tmp_path: Path) -> None:
    def journal(device: Path) -> None:
        programs.run("mke2fs", "-q", "-O", "journal_dev", "-b", "4096", device)

    with nearby(tmp_path) as kept:
        with board(
            tmp_path, journal, mkfs=lambda at: ("-b", "4096", "-J", f"device={at}")
        ) as live:
            (live.root / "etc/of-the-board").write_text("tide\n")
            shown = captured(kept)
        said = rebuilt(kept, tmp_path / "rebuilt.img")

    assert {part.grade for part in shown.parts} == {"point-in-time", "read-only"}
    with loop.attached(tmp_path / "rebuilt.img") as disk:
        root = disk.partition(3)
        programs.run("e2fsck", "-f", "-n", root)
        told = programs.run("dumpe2fs", "-h", root).decode()
    assert "Journal inode:            8" in told
    assert said.checked_entries == said.entries
