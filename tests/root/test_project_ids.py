"""Project ids, and the flags that only xfs has: kept from capture to rebuilt card.

The judges are reference tools: xfs_io(8) and lsattr(1) ask the kernel, xfs_db(8) and debugfs(8)
read what cannot be opened, xfs_repair(8) and e2fsck(8) check the whole.
"""

from __future__ import annotations

import hashlib
import json
import os
import socket
import time
import uuid
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from holdstill.board import fanotify
from holdstill.board.change_detection import ChangedInodes, EverythingMayHaveChanged
from holdstill.board.ctime_window import InodeClock
from holdstill.board.path_filter import PathFilter
from holdstill.board.scan import Scanner, opened_root
from holdstill.filesystems.kernel_filled import kernel_writer, sizing_by_rule
from holdstill.model.entries import Entry, EntryType, Xflags
from holdstill.model.layout import Other
from holdstill.system import clocks, files, loop_device
from holdstill.system.process import LocalRunner
from support import boards, loop, programs
from support.boards import Board, Nearby, holdstill
from support.contents import FolderContents, a_file, a_folder, in_order
from support.loop import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.filesystems.kernel_filled.kernel_writer import KernelFillResult

pytestmark = pytest.mark.timeout(240)

UUID = str(uuid.uuid4())
START, SIZE = 90112, 340 * 2048
"""Sectors: where the root partition is, and of what size."""
SCRIPT = boards.MBR.replace("type=83", f"size={SIZE}, type=83")
QUIET = "ro,norecovery,nouuid"
OPENED = (
    "plain", "owned", "tides", "tides/in", "tides/below", "tides/below/deep", "sized",
    "sized-folder", "sized-folder/in", "shared", "odd", "odd/in", "sealed", "etc",
)  # fmt: skip
UNOPENED = ("tides/link", "tides/pipe", "tides/socket", "tides/null", "moved", "link")
LARGEST = 4294967294
"""The highest project id: 4294967295 is none (Linux include/linux/projid.h, projid_valid)."""


@pytest.fixture(autouse=True)
def _has_xfs() -> None:
    if loop_device.obstacle("xfs", LocalRunner()):
        pytest.skip("this kernel has no xfs")


def xfs_io(path: Path, *commands: str) -> str:
    words = [word for command in commands for word in ("-c", command)]
    mode = () if any(command.startswith("pwrite") for command in commands) else ("-r",)
    return programs.run("xfs_io", *mode, *words, path).decode()


def fill(at: Path) -> None:
    """Make files of some projects, with every flag that there is, and nodes in between."""
    (at / "etc").mkdir()
    (at / "etc/fstab").write_text(f"UUID={UUID} / xfs defaults 0 1\n", encoding="ascii")
    for name in ("plain", "owned", "sealed"):
        (at / name).write_bytes(os.urandom(20_000))
    (at / "link").symlink_to("plain")
    xfs_io(at / "owned", f"chproj {LARGEST}")
    xfs_io(at / "sealed", "chproj 9")
    programs.run("chattr", "+iA", at / "sealed")
    (at / "tides").mkdir()
    xfs_io(at / "tides", "chproj 42", "chattr +P")
    (at / "tides/below").mkdir()
    (at / "tides/below/deep").write_bytes(b"1.42 m")
    (at / "tides/in").write_bytes(b"1.43 m")
    xfs_io(at / "tides/in", "chproj 43")
    (at / "tides/link").symlink_to("in")
    os.mkfifo(at / "tides/pipe")
    os.mkfifo(at / "tides/elsewhere")
    (at / "tides/elsewhere").rename(at / "moved")  # keeps its project, in a folder of none
    os.mknod(at / "tides/null", 0o20666, os.makedev(1, 3))
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(os.fspath(at / "tides/socket"))
    (at / "sized").touch()
    xfs_io(at / "sized", "extsize 128k", "pwrite -q 0 10k", "pwrite -q 3m 10k")
    (at / "sized-folder").mkdir()
    xfs_io(at / "sized-folder", "extsize 64k")
    (at / "sized-folder/in").write_bytes(b"inherits")
    (at / "shared").write_bytes(b"shares")
    xfs_io(at / "shared", "cowextsize 256k")
    (at / "odd").mkdir()
    (at / "odd/in").write_bytes(b"in a folder of many flags")
    xfs_io(at / "odd", "chattr +dnfS")  # no dump, no symlinks, no defragmentation, filestreams


def shown(at: Path) -> dict[str, tuple[str, ...]]:
    """Return what xfs_io and lsattr show of all that can be opened."""
    told = {}
    for name in OPENED:
        said = xfs_io(at / name, "lsproj", "lsattr", "extsize", "cowextsize")
        told[name] = (
            *(line.split(" ")[0] if "/" in line else line for line in said.splitlines()),
            programs.run("lsattr", "-pd", at / name).decode().rsplit(" ", 1)[0],
        )
    return told


def projects(at: Path, device: Path) -> dict[str, int]:
    """Return the projects of what cannot be opened, by xfs_db, from the unmounted device."""
    numbers = {name: (at / name).lstat().st_ino for name in UNOPENED}
    programs.run("umount", at)
    try:
        return {name: _project(device, number) for name, number in numbers.items()}
    finally:
        programs.run("mount", "-o", QUIET, device, at)


def _project(device: Path, number: int) -> int:
    words = ("-c", f"inode {number}", "-c", "print core.projid_lo core.projid_hi")
    said = programs.run("xfs_db", "-r", *words, device).decode()
    low, high = (int(line.split("=")[1]) for line in said.splitlines())
    return high << 16 | low


@contextmanager
def board(folder: Path) -> Iterator[Board]:
    image = loop.partitioned_image(folder / "card.img", size=400 * MIB, script=SCRIPT)
    with loop.attached(image) as disk:
        boot, root = disk.partition(1), disk.partition(2)
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", "-n", "BOOTFS", boot)
        boards.fill_boot(boot, folder)
        programs.run("mkfs.xfs", "-q", "-m", f"uuid={UUID}", "-L", "rootfs", root)
        with loop.mounted(root, folder / "root") as at, loop.thaw_guard(at, seconds=60):
            fill(at)
            yield Board(disk, at)


@contextmanager
def rebuilt(folder: Path, image: Path) -> Iterator[tuple[Path, Path]]:
    """Hold the root of a rebuilt card mounted, and its device."""
    with loop.attached(image) as disk:
        device = disk.partition(2)
        with loop.mounted(device, folder / "again", options=QUIET) as at:
            yield at, device


@pytest.fixture(scope="module")
def captured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Nearby]]:
    """A store with one capture of such a board, and what the judges said of it."""
    folder = tmp_path_factory.mktemp("projects")
    with boards.kept_nearby(folder, folder / "root") as kept:
        with board(folder) as live:
            said = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
            assert said["findings"] == []
            before = shown(live.root)
        with loop.attached(folder / "card.img") as disk:
            device = disk.partition(2)
            with loop.mounted(device, folder / "root", options=QUIET) as at:
                told = {"shown": before, "projects": projects(at, device)}
        (folder / "told.json").write_text(json.dumps(told))
        words = ("rebuild", "pier-3", folder / "rebuilt.img", "--store", kept.store)
        said = holdstill(*words, "--json", accepted=[boards.NO_KERNEL])
        (folder / "said.json").write_bytes(said)
        yield folder, kept


def test_all_comes_back_that_the_reference_tools_show(captured: tuple[Path, Nearby]) -> None:
    folder, _ = captured
    told = json.loads((folder / "told.json").read_text())
    wanted = {name: tuple(lines) for name, lines in told["shown"].items()}

    with rebuilt(folder, folder / "rebuilt.img") as (at, device):
        assert shown(at) == wanted
        assert projects(at, device) == told["projects"]
    with loop.attached(folder / "rebuilt.img") as disk:
        programs.run("xfs_repair", "-n", disk.partition(2))
    assert told["projects"] == {
        "tides/link": 42, "tides/pipe": 42, "tides/socket": 42, "tides/null": 42, "moved": 42,
        "link": 0,
    }  # fmt: skip
    assert wanted["owned"][0] == f"projid = {LARGEST}"
    assert wanted["tides/in"][0] == "projid = 43"
    assert "P" in wanted["tides"][-1]
    assert "P" in wanted["tides/below"][-1]
    assert wanted["sized"][2].startswith("[131072]")
    assert wanted["sized-folder/in"][2].startswith("[65536]")
    assert {"d", "n", "f", "S"} <= set(wanted["odd"][1])
    assert {"i", "A"} <= set(wanted["sealed"][-1])
    # lsattr(1): the first column is the project.
    assert wanted["sealed"][-1].split()[0] == "9"


def verify(kept: Nearby, card: Path, *, code: int = 0) -> bytes:
    words = ("verify", "pier-3", "--card", card, "--store", kept.store, "--json")
    return holdstill(*words, accepted=[code])


def test_nothing_is_warned_of_and_the_card_is_verified(captured: tuple[Path, Nearby]) -> None:
    folder, kept = captured
    said = json.loads((folder / "said.json").read_text())

    told = json.loads(verify(kept, folder / "rebuilt.img"))

    assert [note for note in said["notes"] if "default parameters" not in note] == []
    assert said["checked_entries"] == said["entries"]
    assert told["differences"] == []
    assert told["entries"] == said["entries"]


@pytest.mark.parametrize(
    ("name", "command", "field"),
    [
        ("plain", "chproj 7", "project"),
        ("tides", "chattr -P", "flags"),
        ("odd", "chattr -n", "xflags"),
        ("sized-folder", "extsize 32k", "xflags"),
    ],
)
def test_verify_finds_one_that_is_not_as_it_was(
    captured: tuple[Path, Nearby], tmp_path: Path, name: str, command: str, field: str
) -> None:
    folder, kept = captured
    card = tmp_path / "card.img"
    programs.run("cp", "--sparse=always", folder / "rebuilt.img", card)
    with loop.attached(card) as disk, loop.mounted(disk.partition(2), tmp_path / "at") as at:
        xfs_io(at / name, command)

    said = json.loads(verify(kept, card, code=7))

    assert [(one["path"], one["field"]) for one in said["differences"]] == [(name, field)]


def test_a_project_id_that_alone_changed_is_in_the_next_capture(tmp_path: Path) -> None:
    with board(tmp_path) as live, boards.kept_nearby(tmp_path, live.root) as kept:
        holdstill("capture", "--settings", kept.settings)
        for name, project in (("plain", 77), ("tides/below", 78)):
            before = (live.root / name).stat()
            xfs_io(live.root / name, f"chproj {project}")
            assert (live.root / name).stat().st_mtime_ns == before.st_mtime_ns
        live_told = compared(kept, "pier-3/1", "--live", "--settings", kept.settings)
        holdstill("capture", "--settings", kept.settings)
        told = compared(kept, "pier-3/1", "pier-3/2")

    assert told == {"/plain": ["project"], "/tides/below": ["project"]}
    assert live_told == told


def test_a_project_id_that_changes_during_a_capture_is_noticed(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "xfs.img", size=300 * MIB)
    programs.run("mkfs.xfs", "-q", image)
    with (
        loop.attached(image) as disk,
        loop.mounted(disk.device, tmp_path / "at") as at,
        files.opened(at, os.O_RDONLY | os.O_DIRECTORY) as root,
        fanotify.listening(root, own=os.getpid()) as queue,
    ):
        fill(at)
        time.sleep(0.1)  # so that nothing of it is recent
        clock = InodeClock(clocks.SystemClock(), clocks.coarse_now_ns)
        detector = fanotify.EventDetector(root, clock, queue)
        assert isinstance(detector.changes(), EverythingMayHaveChanged)
        detector.confirm()
        for name in ("plain", "tides/below"):
            xfs_io(at / name, "chproj 77")

        told = detector.changes()

        assert isinstance(told, ChangedInodes)
        assert {(at / name).stat().st_ino for name in ("plain", "tides/below")} <= told.numbers
        assert (at / "owned").stat().st_ino not in told.numbers


def test_a_frozen_xfs_is_asked_without_waiting(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "xfs.img", size=300 * MIB)
    programs.run("mkfs.xfs", "-q", image)
    with (
        loop.attached(image) as disk,
        loop.mounted(disk.device, tmp_path / "at") as at,
        loop.thaw_guard(at, seconds=20),
    ):
        fill(at)
        with opened_root(os.fsencode(at)) as root:
            programs.run("fsfreeze", "-f", at)
            scanner = Scanner(root, PathFilter(exclude=()), has_projects=True)
            found = {os.fsdecode(entry.path): entry.project for entry in scanner.walk()}
            assert loop.thaw(at)  # it still was
    assert {name: found[name] for name in UNOPENED} == {
        "tides/link": 42, "tides/pipe": 42, "tides/socket": 42, "tides/null": 42, "moved": 42,
        "link": 0,
    }  # fmt: skip


def compared(kept: Nearby, *words: object) -> dict[str, list[str]]:
    said = json.loads(holdstill("compare", *words, "--store", kept.store, "--json"))
    return {one["path"]: one["fields"] for part in said["parts"] for one in part["changes"]}


SLOTS = """\
label: dos
label-id: 0x9a3c5d2e
start=8192, size=81920, type=c, bootable
start=90112, size=696320, type=83
start=786432, type=83
"""
"""The usual card with an xfs, which nobody mounts, between the FAT and an ext4 root."""


def test_a_spare_slot_keeps_its_projects(tmp_path: Path) -> None:
    image = loop.partitioned_image(tmp_path / "card.img", size=480 * MIB, script=SLOTS)
    again = tmp_path / "rebuilt.img"
    with boards.kept_nearby(tmp_path, tmp_path / "root") as kept:
        with loop.attached(image) as disk:
            spare = disk.partition(2)
            programs.run("mkfs.vfat", "-F", "32", "-s", "1", disk.partition(1))
            programs.run("mkfs.xfs", "-q", "-m", f"uuid={uuid.uuid4()}", spare)
            programs.run("mkfs.ext4", "-q", "-L", "rootfs", disk.partition(3))
            with loop.mounted(spare, tmp_path / "slot") as at:
                fill(at)
                wanted = shown(at)
            with loop.mounted(spare, tmp_path / "slot", options=QUIET) as at:
                numbers = projects(at, spare)
            with (
                loop.mounted(disk.partition(3), tmp_path / "root") as root,
                loop.thaw_guard(root, seconds=60),
            ):
                (root / "etc").mkdir()
                (root / "etc/fstab").write_text("LABEL=rootfs / ext4 defaults 0 1\n")
                holdstill("capture", "--settings", kept.settings)
        words = ("rebuild", "pier-3", again, "--store", kept.store)
        holdstill(*words, accepted=[boards.NO_KERNEL])
    with rebuilt(tmp_path, again) as (at, device):
        assert shown(at) == wanted
        assert projects(at, device) == numbers
    assert numbers["moved"] == 42


def made(
    folder: Path, entries: list[Entry], contents: FolderContents, size: int
) -> KernelFillResult:
    """Make an xfs of a size in an image, and fill it."""
    image, machine = loop.blank_image(folder / "xfs.img", size=size), LocalRunner()
    parameters = Other(type="xfs", uuid=str(uuid.uuid4()))
    kernel_writer.make(image, offset=0, size=size, parameters=parameters, machine=machine)
    return kernel_writer.populate(
        image, offset=0, size=size, parameters=parameters, entries=entries, again=entries,
        contents=contents, heads={}, machine=machine,
    )  # fmt: skip


def test_what_the_kernel_refuses_is_told_and_the_rest_is_made(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "content")
    entries = in_order([
        a_folder(b"", mode=0o755),
        # xfs takes no size that is not of whole blocks, nor the project that stands for none.
        a_file(contents, b"uneven", b"1.42 m")._replace(xflags=Xflags(0x800, 1000, 0), project=7),
        Entry(b"", b"pipe", EntryType.FIFO, mode=0o600, project=2**32 - 1),
        a_file(contents, b"plain", b"1.43 m")._replace(project=8),
    ])  # fmt: skip

    said = made(tmp_path, entries, contents, 300 * MIB)

    assert said.entries == len(entries)
    assert {warning.split(":")[0] for warning in said.warnings} == {"uneven", "pipe"}
    assert all("cannot be set: Invalid argument" in warning for warning in said.warnings)
    with (
        loop.attached(tmp_path / "xfs.img") as disk,
        loop.mounted(disk.device, tmp_path / "at", options=QUIET) as at,
    ):
        assert xfs_io(at / "plain", "lsproj") == "projid = 8\n"
        assert xfs_io(at, "lsproj") == "projid = 0\n"


def test_files_of_large_extents_fit_where_it_is_foretold(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "content")
    sized = Xflags(0x800, 4 * MIB, 0)
    # Of every 5 MiB there are some bytes of data, for which the kernel takes an extent of 4 MiB.
    holes = b"".join(b"%d" % n * 1000 + bytes(5 * MIB - 1000 * len(b"%d" % n)) for n in range(99))
    entries = in_order([
        a_folder(b"", mode=0o755),
        *(a_file(contents, b"%d" % n, b"%d" % n)._replace(xflags=sized) for n in range(200)),
        a_file(contents, b"holes", holes)._replace(xflags=sized, sparse=1),
    ])  # fmt: skip
    kind = Other(type="xfs", uuid=UUID)

    wanted = hashlib.sha256(holes).digest()

    told = sizing_by_rule.need(entries, kind, contents=contents).size

    assert made(tmp_path, entries, contents, told).warnings == ()
    image = tmp_path / "xfs.img"
    with (
        loop.attached(image) as disk,
        loop.mounted(disk.device, tmp_path / "at", options=QUIET) as at,
    ):
        assert (at / "holes").stat().st_blocks * 512 > 95 * 4 * MIB
        assert hashlib.sha256((at / "holes").read_bytes()).digest() == wanted
    assert told < 600 * MIB
