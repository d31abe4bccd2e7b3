"""Boards of other kinds, captured, rebuilt and really booted: btrfs, two slots, squashfs."""

from __future__ import annotations

import json
import tempfile
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

import pytest

from holdstill.rehearse import rehearsal as run
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import cards, loop, programs
from support.vm import board, here, kinds

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from support.loop import LoopDisk

pytestmark = [pytest.mark.timeout(1800), pytest.mark.slow]
SIZE = 2 << 30
OWN_ROOT = "rootfstype=ext4"
OVERLAY_INIT = """\
#!/bin/sh
# What boards with a read-only system do: all changes go to another partition.
mount -t tmpfs tmpfs /mnt
mkdir /mnt/lower /mnt/data /mnt/merged
mount --bind / /mnt/lower
mount -t ext4 /dev/vda3 /mnt/data
mkdir -p /mnt/data/upper /mnt/data/work
mount -t overlay overlay /mnt/merged \\
  -o lowerdir=/mnt/lower,upperdir=/mnt/data/upper,workdir=/mnt/data/work
for at in dev proc sys run; do mount --move /$at /mnt/merged/$at; done
cd /mnt/merged
pivot_root . mnt
exec chroot . /sbin/init <dev/console >dev/console 2>&1
"""


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> board.Card:
    tree = board.tree(board.FILE_SYSTEMS)
    return board.build_card(tree, tmp_path_factory.mktemp("whole") / "card.img")


@contextmanager
def usual(whole: board.Card, folder: Path) -> Iterator[Path]:
    """Hold the usual board's root open for reading."""
    with (
        loop.attached(whole.image) as disk,
        loop.mounted(disk.partition(2), folder / "usual", options="ro,noload") as root,
    ):
        yield root


@contextmanager
def card(whole: board.Card, folder: Path, *, roots: int) -> Iterator[LoopDisk]:
    """Hold a card with the usual boot partition, and one or two more that share the rest."""
    boot = cards.table_of(whole.image).partition(1)
    share = (SIZE // kinds.SECTOR - boot.end) // roots // 2048 * 2048
    parts = [f"start={boot.start}, size={boot.size}, type=c, bootable"]
    parts += [f"start={boot.end + n * share}, size={share}, type=83" for n in range(roots)]
    image = kinds.with_table(
        folder / "card.img", disk_id=whole.ids.disk, size=SIZE, parts=tuple(parts)
    )
    kinds.copied(whole.image, 1, image, to=1)
    with loop.attached(image) as disk:
        yield disk


def filled(root: Path, source: Path, fstab: str) -> None:
    """Copy a system, and let it have another table of file systems."""
    programs.run("rsync", "-aHAX", f"{source}/", f"{root}/", timeout=300)
    (root / "etc/fstab").unlink()
    (root / "etc/fstab").write_text(fstab)
    kinds.with_marker(root)


def booted(kept: here.Kept, folder: Path, measured: Callable[[str], None], name: str) -> str:
    """Rehearse the newest capture; return what the console said."""
    ended = here.rehearse(kept, folder, sign=kinds.MARKER)
    assert ended.returncode == 0, ended
    measured(f"{name}: alive after {json.loads(ended.stdout)['seconds']:.1f} s")
    return (folder / "console").read_text(errors="replace")


def place(root: Path, disk: LoopDisk) -> dict[str, str | list[str]]:
    return {"root": f"{root}", "disks": [f"{disk.device}"]}


def test_a_btrfs_with_root_and_home_as_subvolumes(
    whole: board.Card, tmp_path: Path, measured: Callable[[str], None]
) -> None:
    fstab = "LABEL=pool / btrfs subvol=@ 0 0\nLABEL=pool /home btrfs subvol=@home 0 0\n"
    with ExitStack() as undo:
        source = undo.enter_context(usual(whole, tmp_path))
        disk = undo.enter_context(card(whole, tmp_path, roots=1))
        kinds.with_words(
            disk.partition(1),
            tmp_path,
            lambda text: text.replace(OWN_ROOT, "rootfstype=btrfs rootflags=subvol=@"),
        )
        device = disk.partition(2)
        programs.run("mkfs.btrfs", "-q", "-L", "pool", device)
        with loop.mounted(device, tmp_path / "top") as top:
            for name in ("@", "@home"):
                programs.run("btrfs", "subvolume", "create", top / name)
            filled(top / "@", source, fstab)
            (top / "@home/readings").write_text("of the tide\n")
        root = undo.enter_context(loop.mounted(device, tmp_path / "root", options="subvol=@"))
        undo.enter_context(loop.thaw_guard(root, seconds=120))
        undo.enter_context(loop.mounted(device, root / "home", options="subvol=@home"))
        kept = here.captured(place(root, disk), tmp_path)
    console = booted(kept, tmp_path, measured, "btrfs")

    assert "/dev/vda2[/@]" in console
    assert "/dev/vda2[/@home]" in console


def test_both_slots_of_a_board_with_two_systems(
    whole: board.Card, tmp_path: Path, measured: Callable[[str], None]
) -> None:
    with ExitStack() as undo:
        source = undo.enter_context(usual(whole, tmp_path))
        disk = undo.enter_context(card(whole, tmp_path, roots=2))
        for number, name in ((2, "a"), (3, "b")):
            programs.run("mkfs.ext4", "-q", "-L", f"slot-{name}", disk.partition(number))
            with loop.mounted(disk.partition(number), tmp_path / name) as slot:
                filled(slot, source, f"LABEL=slot-{name} / ext4 defaults 0 1\n")
        root = undo.enter_context(loop.mounted(disk.partition(2), tmp_path / "root"))
        undo.enter_context(loop.thaw_guard(root, seconds=120))
        kept = here.captured(place(root, disk), tmp_path)
    assert "/dev/vda2" in booted(kept, tmp_path, measured, "slot a")

    # The board's next update would make the other slot the one that is started.
    image = tmp_path / "other.img"
    programs.run(here.HOLDSTILL, "rebuild", "pier-3", image, "--store", kept.store, timeout=300)
    with loop.attached(image) as rebuilt:
        kinds.with_words(
            rebuilt.partition(1),
            tmp_path,
            lambda text: text.replace(
                f"PARTUUID={whole.ids.partition(2)}", f"PARTUUID={whole.ids.partition(3)}"
            ),
        )
    other = run.rehearse(
        image, runner=LocalRunner(), clock=SystemClock(), log=tmp_path / "log", deadline=600,
        sign=kinds.MARKER,
    )  # fmt: skip
    measured(f"slot b: alive after {other.seconds:.1f} s")
    assert other.booted, other
    assert "/dev/vda3" in (tmp_path / "log").read_text(errors="replace")


def test_a_squashfs_with_an_overlay_over_it(
    whole: board.Card, tmp_path: Path, measured: Callable[[str], None]
) -> None:
    with ExitStack() as undo:
        source = undo.enter_context(usual(whole, tmp_path))
        disk = undo.enter_context(card(whole, tmp_path, roots=2))
        kinds.with_words(
            disk.partition(1),
            tmp_path,
            lambda text: text.replace(OWN_ROOT, "rootfstype=squashfs init=/usr/sbin/overlay-init"),
        )
        with tempfile.TemporaryDirectory(dir=tmp_path) as work:
            system = tmp_path / work / "system"
            system.mkdir()
            filled(system, source, "")
            init = system / "usr/sbin/overlay-init"
            init.write_text(OVERLAY_INIT)
            init.chmod(0o755)
            packed = tmp_path / work / "system.squashfs"
            programs.run("mksquashfs", system, packed, "-quiet", "-comp", "gzip", timeout=600)
            programs.run("dd", f"if={packed}", f"of={disk.partition(2)}", "bs=1M", "status=none")
        programs.run("mkfs.ext4", "-q", "-L", "data", disk.partition(3))
        lower = undo.enter_context(loop.mounted(disk.partition(2), tmp_path / "lower"))
        data = undo.enter_context(loop.mounted(disk.partition(3), tmp_path / "data"))
        undo.enter_context(loop.thaw_guard(data, seconds=120))
        (data / "upper/etc").mkdir(parents=True)
        (data / "work").mkdir()
        (data / "upper/etc/hostname").write_text("changed\n")
        options = f"lowerdir={lower},upperdir={data}/upper,workdir={data}/work"
        root = undo.enter_context(
            loop.mounted(lower, tmp_path / "root", options=options, kind="overlay")
        )
        (root / "data").mkdir()
        undo.enter_context(loop.mounted(disk.partition(3), root / "data"))
        kept = here.captured(place(root, disk), tmp_path)
    console = booted(kept, tmp_path, measured, "squashfs and overlay")

    assert "overlay" in console
    assert "changed login:" in console or "changed" in console
