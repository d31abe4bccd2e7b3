"""Boards whose root is an xfs or a btrfs: captured mounted, rebuilt, and looked at by the kernel.

The witness of tests/support reads both trees; xfs_repair, btrfs and fsck.f2fs judge the rest.
"""

import json
import os
import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from holdstill.errors import TargetFailedError, TargetRefusedError, VerificationError
from holdstill.filesystems.kernel_filled import kernel_writer, sizing_by_rule, sizing_by_trial
from holdstill.model import entries as entry_streams
from holdstill.model.entries import Entry, EntryType
from holdstill.model.layout import Other
from holdstill.rebuild.partition_layout import DoesNotFitError
from holdstill.system import loop_device
from holdstill.system.process import LocalRunner
from holdstill.workflow import plan_rebuild
from holdstill.workflow.plan_rebuild import PlanOptions
from support import boards, capture_folder, loop, programs, reference_tree
from support.boards import Board, holdstill
from support.contents import FolderContents, a_file, a_folder, in_order
from support.loop import MIB, LoopDisk

pytestmark = pytest.mark.timeout(240)
MACHINE = LocalRunner()
UUID = "8b2d6a34-93f1-4b0e-8c55-0a1b2c3d4e5f"
START, SIZE = 90112 * 512, 400 * MIB
SCRIPT = boards.MBR.replace("start=90112, type=83", f"start=90112, size={SIZE // 512}, type=83")
CHECKS = {"xfs": ("xfs_repair", "-n"), "btrfs": ("btrfs", "check", "--readonly")}


def supported(kind: str) -> bool:
    return not loop_device.obstacle(kind, MACHINE)


@contextmanager
def board(folder: Path, kind: str) -> Iterator[Board]:
    """Hold a board with this kind of root mounted, and something of everything on it."""
    image = loop.partitioned_image(folder / "card.img", size=480 * MIB, script=SCRIPT)
    with loop.attached(image) as disk:
        boot, root = disk.partition(1), disk.partition(2)
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", "-n", "BOOTFS", boot)
        boards.fill_boot(boot, folder)
        uuid = ("-m", f"uuid={UUID}") if kind == "xfs" else ("-U", UUID)
        programs.run(f"mkfs.{kind}", "-q", *uuid, "-L", "rootfs", root)
        with loop.mounted(root, folder / "root") as at, loop.thaw_guard(at, seconds=20):
            fill(at)
            if kind == "btrfs":
                compress(at)
            yield Board(disk, at)


def fill(at: Path) -> None:
    """Make nodes of every type, with attributes, links, holes, odd names and dates."""
    (at / "etc").mkdir()
    (at / "etc/fstab").write_text(f"UUID={UUID} / auto defaults 0 1\n", encoding="ascii")
    top = os.fsencode(at)
    (at / os.fsdecode(b"odd \xff\nname")).mkdir(mode=0o1777)
    (at / "plain").write_bytes(os.urandom(3_000_000))
    os.link(at / "plain", at / "etc/also-plain")
    (at / "program").write_bytes(b"#!/bin/sh\n")
    os.chown(at / "program", 70_000, 80_000)
    (at / "program").chmod(0o6755)
    os.setxattr(at / "program", "user.note", b"tide")
    programs.run("setcap", "cap_net_raw+ep", at / "plain")
    programs.run("setfacl", "-m", "u:1234:rw,d:u:1234:rwx", at / "etc")
    with (at / "holes").open("wb") as sparse:
        sparse.seek(20 * MIB)
        sparse.write(b"end")
    os.mkfifo(at / "pipe", 0o620)
    os.mknod(at / "null", 0o20666, os.makedev(1, 3))
    (at / "far").symlink_to("x" * 900)
    os.utime(top + b"/far", ns=(1, 123_456_789_012_345_678), follow_symlinks=False)
    os.utime(at / "program", ns=(1, 4_000_000_000_123_456_789))
    for name, flag in (("sealed", "+i"), ("grows", "+a")):
        (at / name).write_bytes(b"kept as it is\n")
        os.link(at / name, at / f"etc/{name}-too")
        programs.run("chattr", flag, at / name)
    for number in range(800):
        (at / f"etc/{number:03}.conf").write_bytes(b"%d\n" % number * number)
    os.utime(at / "etc", ns=(1, 1_000_000_000_987_654_321))


def compress(at: Path) -> None:
    """Have a file and what is new in a folder compressed, by both commands that there are."""
    (at / "log").mkdir()
    programs.run("chattr", "+c", at / "log")
    for name, flag in (("zst", "+d"), ("zst-sealed", "+i"), ("zst-grows", "+a")):
        for made in (at / name, at / f"{name}.d"):
            made.mkdir() if made.suffix else made.touch()
            programs.run("btrfs", "property", "set", made, "compression", "zstd")
            programs.run("chattr", flag, made)
    (at / "packed").touch()
    programs.run("btrfs", "property", "set", at / "packed", "compression", "zstd")
    (at / "packed").write_bytes(b"tide\n" * 400_000)


def compressed(at: Path) -> tuple[bool, bytes]:
    """Return whether the file is compressed on disk, and the folder's property."""
    packed = b"encoded" in programs.run("filefrag", "-v", at / "packed")
    return packed, programs.run("btrfs", "property", "get", at / "log", "compression").strip()


def tree(at: Path) -> list[Entry]:
    """Return what a witness that shares no code with the product sees, in key order."""
    return in_order(reference_tree.entries(at).values())


@pytest.mark.parametrize("kind", ["xfs", "btrfs"])
def test_a_root_that_only_the_kernel_can_fill_comes_back(tmp_path: Path, kind: str) -> None:
    if not supported(kind):
        pytest.skip(f"this kernel has no {kind}")
    image = tmp_path / "rebuilt.img"
    settings_of = Board(LoopDisk(Path(), Path()), tmp_path / "root")
    with boards.kept(tmp_path, settings_of) as kept:
        with board(tmp_path, kind) as live:
            told = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
            before = tree(live.root)
        if kind == "btrfs":
            programs.run("btrfs", "device", "scan", "--forget")
        said = json.loads(
            holdstill(
                "rebuild",
                "pier-3",
                image,
                "--store",
                kept.store,
                "--json",
                timeout=200,
                accepted=[boards.NO_KERNEL],
            )
        )
        verdict = json.loads(
            holdstill("verify", "pier-3", "--card", image, "--store", kept.store, "--json")
        )

    assert [p["detection"] for p in told["parts"] if p["place"] == "/"] == ["fanotify"]
    assert said["checked_entries"] == said["entries"] > 800
    assert (verdict["total"], verdict["unchecked"]) == (0, [])
    assert any("quotas" in note for note in said["notes"])
    with loop.attached(image) as disk:
        root = disk.partition(2)
        programs.run(*CHECKS[kind], root)
        assert programs.run("blkid", "-s", "UUID", "-o", "value", root).decode().strip() == UUID
        options = "ro,norecovery,nouuid" if kind == "xfs" else "ro"
        with loop.mounted(root, tmp_path / "again", options=options) as at:
            assert list(entry_streams.differences(before, tree(at))) == []
            assert (at / "holes").stat().st_blocks * 512 < MIB
            if kind == "btrfs":
                assert compressed(at) == (True, b"compression=zlib")


def small_files(contents: FolderContents) -> list[Entry]:
    return [a_file(contents, b"%05d" % n, os.urandom(24_000)) for n in range(12_000)]


def large_files(contents: FolderContents) -> list[Entry]:
    return [a_file(contents, b"%05d" % n, os.urandom(5 * MIB)) for n in range(60)]


def many_names(contents: FolderContents) -> list[Entry]:
    return [a_file(contents, b"%05d" % n, b"") for n in range(12_000)]


def all_sizes(contents: FolderContents) -> list[Entry]:
    chance = random.Random(1)  # noqa: S311  repeatable
    sizes = [min(int(chance.paretovariate(0.7) * 300), 8 * MIB) for _ in range(4000)]
    return [a_file(contents, b"%05d" % n, chance.randbytes(size)) for n, size in enumerate(sizes)]


def with_attributes(contents: FolderContents) -> list[Entry]:
    return [
        a_file(contents, b"%05d" % n, os.urandom(80_000))._replace(
            xattrs={"user.note": b"%05d" % n * 200}
        )
        for n in range(4000)
    ]


def with_holes(contents: FolderContents) -> list[Entry]:
    return [
        a_file(contents, b"%05d" % n, os.urandom(6 * MIB) + bytes(9 * MIB) + b"end")._replace(
            sparse=1
        )
        for n in range(60)
    ]


EVERY_DAY = (large_files, many_names, with_holes)
SELDOM = (small_files, all_sizes, with_attributes)


def fits(
    folder: Path, size: int, entries: list[Entry], contents: FolderContents, parameters: Other
) -> bool:
    """Make a file system of a size, and fill it with everything."""
    image = loop.blank_image(folder / "image", size=size)
    try:
        kernel_writer.make(image, offset=0, size=size, parameters=parameters, machine=MACHINE)
        filled = kernel_writer.populate(
            image, offset=0, size=size, parameters=parameters, entries=entries, again=entries,
            contents=contents, heads={}, machine=MACHINE,
        )  # fmt: skip
    except TargetFailedError:
        return False
    assert filled.entries == len(entries)
    assert filled.warnings == ()
    return True


@pytest.mark.parametrize("kind", ["xfs", "btrfs"])
@pytest.mark.parametrize(
    "shape",
    [*EVERY_DAY, *(pytest.param(shape, marks=pytest.mark.slow) for shape in SELDOM)],
)
def test_the_least_size_is_foretold_within_five_percent(
    tmp_path: Path, kind: str, shape: Callable[[FolderContents], list[Entry]]
) -> None:
    if not supported(kind):
        pytest.skip(f"this kernel has no {kind}")
    contents = FolderContents(tmp_path / "content")
    entries = in_order([a_folder(b"", mode=0o755), *shape(contents)])
    parameters = Other(type=kind, uuid=UUID, label="jetty")

    surely = sizing_by_rule.need(entries, parameters).size
    told = sizing_by_trial.minimum(
        lambda: entries, parameters, contents=contents, machine=MACHINE
    ).size

    assert fits(tmp_path, surely, entries, contents, parameters)
    assert fits(tmp_path, told, entries, contents, parameters)
    less = told * 100 // 105 // MIB * MIB
    assert not fits(tmp_path, less, entries, contents, parameters), "a twentieth less would do"


def test_what_the_rule_refuses_is_tried_and_what_cannot_fit_is_not(tmp_path: Path) -> None:
    if not supported("btrfs"):
        pytest.skip("this kernel has no btrfs")
    told: list[str] = []
    contents, kind = FolderContents(tmp_path / "content"), Other(type="btrfs", uuid=UUID)
    entries = in_order([a_folder(b"", mode=0o755), *large_files(contents)])
    with capture_folder.captured(
        tmp_path, entries, contents, parameters=kind, size=900 * MIB
    ) as made:
        rule = sizing_by_rule.need(made.entries(1), kind).size
        for size in (rule + 8 * MIB, rule * 9 // 10, 90 * MIB):
            with suppress(DoesNotFitError):
                plan = plan_rebuild.plan_rebuild(
                    made, size=size, options=PlanOptions(), machine=MACHINE, step=told.append
                )
                assert plan.disk.size == size
            told.append(str(size))
        with pytest.raises(DoesNotFitError):
            plan_rebuild.plan_rebuild(made, size=300 * MIB, options=PlanOptions(), machine=MACHINE)

    trying = "trying how small a file system may become; this takes minutes"
    assert told == [str(rule + 8 * MIB), trying, str(rule * 9 // 10), str(90 * MIB)]


def test_a_trial_that_fails_for_another_reason_is_not_taken_for_one_of_size(
    tmp_path: Path,
) -> None:
    contents = FolderContents(tmp_path / "content")
    entries = in_order([a_folder(b"", mode=0o755), *many_names(contents)[:10]])
    orphan = Entry(b"nowhere", b"file", EntryType.FILE, 0o644)

    with pytest.raises(VerificationError, match="no directory"):
        sizing_by_trial.minimum(
            lambda: [*entries, orphan], Other(type="xfs", uuid=UUID), contents=contents,
            machine=MACHINE,
        )  # fmt: skip


def test_an_f2fs_is_made_as_its_own_tool_likes_it(tmp_path: Path) -> None:
    size = 100 * MIB
    image = loop.blank_image(tmp_path / "image", size=size + MIB)
    parameters = Other(type="f2fs", uuid=UUID, label="jetty")

    kernel_writer.make(image, offset=MIB, size=size, parameters=parameters, machine=MACHINE)

    place = ("--offset", str(MIB), "--sizelimit", str(size))
    device = programs.run("losetup", "--find", "--show", *place, image).decode().strip()
    try:
        programs.run("fsck.f2fs", "--dry-run", device)
        said = programs.run("blkid", "-p", "-o", "export", device).decode()
    finally:
        programs.run("losetup", "--detach", device)
    assert {f"UUID={UUID}", "LABEL=jetty", "TYPE=f2fs"} <= set(said.splitlines())


def test_a_kind_that_this_machine_cannot_mount_is_refused_beforehand() -> None:
    with pytest.raises(TargetRefusedError, match="cannot be made"):
        kernel_writer.check_possible(Other(type="nilfs2"), MACHINE, number=2)
    kernel_writer.check_possible(Other(type="f2fs", uuid=UUID), MACHINE, number=2)


def test_a_symlink_in_a_hostile_index_leads_nowhere(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    contents = FolderContents(tmp_path / "content")
    link = Entry(b"", b"a", EntryType.SYMLINK, 0o777, target=os.fsencode(outside))
    entries = in_order([a_folder(b""), link, a_file(contents, b"a/b", b"planted")])
    parameters = Other(type="xfs", uuid=UUID)
    image = loop.blank_image(tmp_path / "image", size=300 * MIB)
    kernel_writer.make(image, offset=0, size=300 * MIB, parameters=parameters, machine=MACHINE)

    with pytest.raises(VerificationError, match="no directory"):
        kernel_writer.populate(
            image, offset=0, size=300 * MIB, parameters=parameters, entries=entries,
            again=entries, contents=contents, heads={}, machine=MACHINE,
        )  # fmt: skip

    assert list(outside.iterdir()) == []
    assert str(image) not in programs.run("losetup", "--list").decode()


def test_a_full_file_system_is_said_to_be_full(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "content")
    entries = in_order(
        [a_folder(b""), *(a_file(contents, b"%d" % n, os.urandom(40 * MIB)) for n in range(8))]
    )
    parameters = Other(type="xfs", uuid=UUID)
    image = loop.blank_image(tmp_path / "image", size=300 * MIB)
    kernel_writer.make(image, offset=0, size=300 * MIB, parameters=parameters, machine=MACHINE)

    with pytest.raises(TargetFailedError, match="No space left"):
        kernel_writer.populate(
            image, offset=0, size=300 * MIB, parameters=parameters, entries=entries,
            again=entries, contents=contents, heads={}, machine=MACHINE,
        )  # fmt: skip


def test_it_works_below_an_exclusive_claim_of_the_whole_disk(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "content")
    entries = in_order([a_folder(b""), a_file(contents, b"reading", b"1.42 m\n")])
    parameters = Other(type="xfs", uuid=UUID)
    disk_image = loop.blank_image(tmp_path / "disk", size=310 * MIB)
    with loop.attached(disk_image) as disk:
        held = os.open(disk.device, os.O_RDWR | os.O_EXCL)
        try:
            place, size = 8 * MIB, 300 * MIB
            kernel_writer.make(
                disk.device, offset=place, size=size, parameters=parameters, machine=MACHINE
            )
            filled = kernel_writer.populate(
                disk.device, offset=place, size=size, parameters=parameters, entries=entries,
                again=entries, contents=contents, heads={}, machine=MACHINE,
            )  # fmt: skip
        finally:
            os.close(held)

    assert filled.entries == 2
