"""Boards with systems in files of a card: the file comes back, and the card it is on is the board.

Live systems have / in a squashfs file below an overlay, others in an image of an ext4 (common
practice). mksquashfs, e2fsck and the kernel are the second opinion about what comes back.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import tempfile
from contextlib import ExitStack, contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from support import boards, boot_card, loop, programs
from support.boards import holdstill
from support.loop import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from support.boards import Board, Nearby

pytestmark = pytest.mark.timeout(240)
DEGRADED, REFUSED = 8, 4
IMAGE = "live/root.sqsh"


def digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def squashed(folder: Path, image: Path) -> None:
    """Pack a small system; it is larger than what is sent as one piece."""
    tree = folder / "tree"
    for name in ("etc", "usr", "sbin", "cdrom", "dev"):
        (tree / name).mkdir(parents=True)
    (tree / "etc/hostname").write_text("pier-3\n", encoding="ascii")
    (tree / "etc/fstab").write_text("", encoding="ascii")
    (tree / "usr/readings").write_bytes(os.urandom(20 * MIB))
    image.parent.mkdir(parents=True, exist_ok=True)
    programs.run("mksquashfs", tree, image, "-quiet", "-no-progress")


@contextmanager
def live_system(folder: Path, card: Path, image: Path) -> Iterator[Path]:
    """Hold a root that is an overlay over a squashfs file, with the card at /cdrom."""
    with ExitStack() as undo:
        memory = Path(undo.enter_context(tempfile.TemporaryDirectory(dir="/dev/shm")))
        device = undo.enter_context(loop.attached(image)).device
        below = undo.enter_context(
            loop.mounted(device, folder / "ro", options="ro", kind="squashfs")
        )
        for name in ("upper", "work"):
            (memory / name).mkdir()
        options = f"lowerdir={below},upperdir={memory}/upper,workdir={memory}/work"
        over = undo.enter_context(
            loop.mounted(Path("overlay"), folder / "over", options=options, kind="overlay")
        )
        undo.enter_context(loop.mounted(card, over / "cdrom", options="bind,private"))
        yield over


@pytest.fixture
def card(tmp_path: Path) -> Iterator[Board]:
    """Hold a card with a FAT that a known firmware boots from, and an ext4."""
    with boards.running(tmp_path) as made:
        for name, content in boot_card.FIRMWARE.items():
            (tmp_path / "boot" / name).parent.mkdir(exist_ok=True)
            (tmp_path / "boot" / name).write_bytes(content)
        stage = sorted((tmp_path / "boot").iterdir())
        programs.run("mcopy", "-s", "-m", "-o", "-i", made.disk.partition(1), *stage, "::/")
        yield made


def inspected(kept: Nearby) -> dict[str, list[object]]:
    said = holdstill("inspect", "--settings", kept.settings, "--offline", "--json")
    found: dict[str, list[object]] = json.loads(said)
    return found


def captured(kept: Nearby, *, code: int = 0) -> dict[str, list[object]]:
    said = holdstill("capture", "--settings", kept.settings, "--json", accepted=[code])
    found: dict[str, list[object]] = json.loads(said)
    return found


def rows(answer: dict[str, list[object]], name: str) -> list[dict[str, str]]:
    return [one for one in answer[name] if isinstance(one, dict)]


def refusal(*words: object) -> str:
    done = programs.attempt(sys.executable, "-m", "holdstill", *map(str, words))
    assert done.returncode == REFUSED
    return " ".join(done.stderr.decode().split())


@contextmanager
def rebuilt(
    kept: Nearby, folder: Path, *, code: int = 0, kind: str = "ext4", size: int = 384
) -> Iterator[Path]:
    """Hold what is on partition 2 of a card of so many MiB, made of the newest capture."""
    image = folder / f"rebuilt-{size}.img"
    words = ("rebuild", "pier-3", image, "--store", kept.store, "--size", f"{size}M")
    options = "ro,nouuid" if kind == "xfs" else "ro"
    holdstill(*words, accepted=[code])
    with (
        loop.attached(image) as disk,
        loop.mounted(disk.partition(2), folder / "look", options=options, kind=kind) as at,
    ):
        yield at


def everything_says(kept: Nearby, words: str, devices: Sequence[Path]) -> None:
    """Check that each command says which file / is in, and none that anything is missing."""
    store = ("--store", kept.store)
    before = inspected(kept)
    report = captured(kept)
    shown = json.loads(holdstill("show", "pier-3", *store, "--json"))
    for one in (before, report, shown):
        assert one["findings"] == []
        told = (*one["warnings"], *one.get("notes", ()))
        assert any(words in str(said) for said in told), told
    assert before["not_needed"] == []
    assert [disk["device"] for disk in rows(before, "disks")] == list(map(str, devices))
    assert words in " ".join(holdstill("show", "pier-3", *store).decode().split())
    for done in (
        holdstill("bootcheck", "pier-3", *store, accepted=[0, 8]),
        holdstill("rebuild", "pier-3", "/nowhere.img", "--dry-run", *store, accepted=[0, 8]),
    ):
        assert "WOULD NOT BOOT" not in done.decode()
    checked = holdstill("bootcheck", "pier-3", *store, accepted=[0, 8]).decode()
    assert f"unknown  system: {words}, a file that is not looked into" in checked
    assert "verify" not in holdstill("verify", "pier-3", *store).decode().splitlines()


def test_a_root_in_a_squashfs_file_below_an_overlay(tmp_path: Path, card: Board) -> None:
    image = card.root / IMAGE
    squashed(tmp_path, image)
    with (
        live_system(tmp_path, card.root, image) as root,
        boards.kept_nearby(tmp_path, root) as kept,
    ):
        words = f"/ is in /{IMAGE} of partition 2"
        everything_says(kept, words, [card.disk.device])
        # With nothing changed, a second one: nothing is sent again, nothing is lost.
        captured(kept)
        for size in (300, 500):
            with rebuilt(kept, tmp_path, size=size) as at:
                assert digest(at / IMAGE) == digest(image)
        sibling = ("rebuild", "pier-3", tmp_path / "4.img", "--as", "pier-4")
        said = " ".join(holdstill(*sibling, "--store", kept.store).decode().split())
        assert f"left as it is: {words}: name, machine id and SSH host keys in it" in said
        with rebuilt(kept, tmp_path) as at:
            assert digest(at / IMAGE) == digest(image)
            assert (at / "etc/fstab").read_bytes() == (card.root / "etc/fstab").read_bytes()


def test_a_root_in_a_file_of_a_file(tmp_path: Path, card: Board) -> None:
    """The squashfs file is in an ext4 that is itself in a file of the card."""
    outer = loop.blank_image(card.root / "store.img", size=96 * MIB)
    programs.run("mkfs.ext4", "-q", "-F", outer)
    with (
        loop.attached(outer) as disk,
        loop.mounted(disk.device, tmp_path / "outer") as store,
        loop.thaw_guard(store, seconds=60),
    ):
        squashed(tmp_path, store / IMAGE)
        with (
            live_system(tmp_path, card.root, store / IMAGE) as root,
            loop.mounted(store, root / "dev", options="bind,private"),
            boards.kept_nearby(tmp_path, root) as kept,
        ):
            everything_says(kept, "/ is in /store.img of partition 2", [card.disk.device])
            with rebuilt(kept, tmp_path) as at, loop.attached(at / "store.img") as again:
                is_clean(at / "store.img")
                # noload: the rebuilt card is mounted read-only, and so is the file.
                found = loop.mounted(again.device, tmp_path / "deep", options="ro,noload")
                with found as deep:
                    assert digest(deep / IMAGE) == digest(store / IMAGE)


def is_clean(image: Path) -> None:
    """Check that an ext4 is as after an unmount: no journal to be replayed (dumpe2fs(8))."""
    features = programs.run("dumpe2fs", "-h", image).decode()
    assert "needs_recovery" not in features
    programs.run("e2fsck", "-f", "-n", image)


@contextmanager
def writing(at: Path) -> Iterator[None]:
    """Let somebody write files there all the time, without ever waiting for the disk."""
    script = "i=0; while :; do i=$((i+1)); echo $i >n.$((i%50)); head -c 9000 /dev/zero >b; done"
    process = subprocess.Popen(["sh", "-c", script], cwd=at)
    try:
        yield
    finally:
        process.kill()
        process.wait()


@contextmanager
def out_of_sight(at: Path, bound: Path) -> Iterator[None]:
    """Let no path lead to a mount that files are open on, as to those of an initramfs.

    The kernel then writes their paths from the top of the mount.
    """
    programs.run("umount", "--lazy", at)
    try:
        yield
    finally:
        programs.run("mount", "--bind", bound, at)


@pytest.mark.parametrize(
    ("kind", "is_seen"), [("ext4", True), ("xfs", True), ("ext4", False), ("btrfs", True)]
)
def test_a_root_in_a_writable_file_is_frozen_before_its_card(
    tmp_path: Path, kind: str, *, is_seen: bool
) -> None:
    with boards.running(tmp_path, kind=kind) as made:
        image = loop.blank_image(made.root / "root.disk", size=48 * MIB)
        programs.run("mkfs.ext4", "-q", "-F", image)
        with (
            loop.attached(image) as disk,
            loop.mounted(disk.device, tmp_path / "system") as root,
            loop.thaw_guard(root, seconds=60),
        ):
            for name in ("etc", "usr", "host", "spool"):
                (root / name).mkdir()
            line = "/host/root.disk / ext4 loop 0 0\n"
            (root / "etc/fstab").write_text(line, encoding="ascii")
            with (
                loop.mounted(made.root, root / "host", options="bind,private"),
                nullcontext() if is_seen else out_of_sight(made.root, root / "host"),
                boards.kept_nearby(tmp_path, root) as kept,
            ):
                (root / "spool/before").write_bytes(os.urandom(MIB))
                with writing(root / "spool"):
                    first = captured(kept)
                (root / "spool/between").write_bytes(os.urandom(MIB))
                with writing(root / "spool"):
                    second = captured(kept)
                for report in (first, second):
                    assert report["findings"] == []
                    grades = {part["grade"] for part in rows(report, "parts")}
                    assert grades <= {"point-in-time", "read-only"}
                wanted = {name: digest(root / "spool" / name) for name in ("before", "between")}
    # Not beside the card: the kernel takes a btrfs and its copy for one.
    with rebuilt(kept, tmp_path, code=boards.NO_KERNEL, kind=kind) as at:
        is_clean(at / "root.disk")
        with (
            loop.attached(at / "root.disk") as again,
            loop.mounted(again.device, tmp_path / "in", options="ro,noload") as found,
        ):
            assert {name: digest(found / "spool" / name) for name in wanted} == wanted


def test_data_in_a_file_of_the_card_is_captured_with_it(tmp_path: Path, card: Board) -> None:
    (card.root / "srv/data").mkdir(parents=True)
    image = loop.blank_image(card.root / "srv/disk.img", size=32 * MIB)
    programs.run("mkfs.ext4", "-q", "-F", image)
    with (card.root / "etc/fstab").open("a") as fstab:
        fstab.write("/srv/disk.img /srv/data ext4 loop 0 0\n")
    with (
        loop.attached(image) as disk,
        loop.mounted(disk.device, card.root / "srv/data") as data,
        loop.thaw_guard(data, seconds=60),
        boards.kept_nearby(tmp_path, card.root) as kept,
    ):
        found = inspected(kept)
        assert (found["findings"], found["not_needed"]) == ([], [])
        (data / "reading").write_text("3.21\n", encoding="ascii")
        with writing(data):
            assert captured(kept)["findings"] == []
        with rebuilt(kept, tmp_path, code=boards.NO_KERNEL) as at:
            is_clean(at / "srv/disk.img")
            content = programs.run("debugfs", "-R", "cat /reading", at / "srv/disk.img")
            assert content == b"3.21\n"


@pytest.mark.parametrize("pattern", ["/cdrom/live", "/cdrom/**/*.sqsh"])
def test_a_root_in_a_file_that_is_left_out_is_missing(
    tmp_path: Path, card: Board, pattern: str
) -> None:
    image = card.root / IMAGE
    squashed(tmp_path, image)
    with (
        live_system(tmp_path, card.root, image) as root,
        boards.kept_nearby(tmp_path, root, more=f"exclude: ['{pattern}']\n") as kept,
    ):
        before, report = inspected(kept), captured(kept, code=DEGRADED)

    for one in (before, report):
        (lost,) = rows(one, "findings")
        assert (lost["kind"], lost["what"]) == ("missing", "/")
        assert f"/{IMAGE} of partition 2, which `exclude`" in lost["why"]


def test_a_root_in_a_file_of_what_is_mounted_below_run_is_captured(
    tmp_path: Path, card: Board
) -> None:
    """The defaults leave out what programs put there; live systems mount their card there."""
    image = card.root / IMAGE
    squashed(tmp_path, image)
    with live_system(tmp_path, card.root, image) as root, ExitStack() as undo:
        (root / "run").mkdir()
        undo.enter_context(loop.mounted(Path("tmpfs"), root / "run", kind="tmpfs"))
        medium = root / "run/medium"
        undo.enter_context(loop.mounted(card.root, medium, options="bind,private"))
        programs.run("umount", root / "cdrom")
        kept = undo.enter_context(boards.kept_nearby(tmp_path, root))
        report = captured(kept)
        assert report["findings"] == []
        with rebuilt(kept, tmp_path) as at:
            assert digest(at / IMAGE) == digest(image)


@contextmanager
def data_on_another_disk(folder: Path, board: Board) -> Iterator[loop.LoopDisk]:
    """Hold a second disk at /mnt/usb, with a file that is mounted at /srv/data."""
    made = loop.blank_image(folder / "second.img", size=96 * MIB)
    programs.run("mkfs.ext4", "-q", "-F", made)
    for name in ("mnt/usb", "srv/data"):
        (board.root / name).mkdir(parents=True)
    with (
        loop.attached(made) as disk,
        loop.mounted(disk.device, board.root / "mnt/usb") as usb,
        loop.thaw_guard(usb, seconds=60),
    ):
        image = loop.blank_image(usb / "data.img", size=32 * MIB)
        programs.run("mkfs.ext4", "-q", "-F", image)
        with (
            loop.attached(image) as inner,
            loop.mounted(inner.device, board.root / "srv/data") as data,
            loop.thaw_guard(data, seconds=60),
        ):
            yield disk


def test_a_file_on_a_disk_that_is_not_captured_is_missing(tmp_path: Path, card: Board) -> None:
    only = f"disks: [{card.disk.device}]\n"
    with (
        data_on_another_disk(tmp_path, card) as other,
        boards.kept_nearby(tmp_path, card.root, more=only) as kept,
    ):
        report = captured(kept, code=DEGRADED)

    (lost,) = [
        one for one in report["findings"] if isinstance(one, dict) if one["what"] == "/srv/data"
    ]
    assert lost["kind"] == "missing"
    assert "the file " in lost["why"]
    assert f"[auto, {other.device}]" in lost["hint"]


def test_the_disk_of_a_file_of_the_system_is_needed(tmp_path: Path, card: Board) -> None:
    with (
        data_on_another_disk(tmp_path, card) as other,
        boards.kept_nearby(tmp_path, card.root) as kept,
    ):
        found = inspected(kept)

    disks = [disk["device"] for disk in rows(found, "disks")]
    assert disks == [str(card.disk.device), str(other.device)]
    assert (found["findings"], found["not_needed"]) == ([], [])


def test_a_root_in_a_file_that_was_deleted_is_refused(tmp_path: Path, card: Board) -> None:
    image = card.root / IMAGE
    squashed(tmp_path, image)
    with ExitStack() as undo:
        root = undo.enter_context(live_system(tmp_path, card.root, image))
        kept = undo.enter_context(boards.kept_nearby(tmp_path, root))
        kept_name = image.with_suffix(".away")
        os.link(image, kept_name)
        image.unlink()
        try:
            said = refusal("capture", "--settings", kept.settings)
        finally:
            os.rename(kept_name, image)  # noqa: PTH104  the loop device is found by it again

    assert "the deleted file" in said
    assert IMAGE in said
    assert not list((kept.store / "boards/pier-3/captures").glob("*"))
