"""A small real board on a loop device, and a keeper behind a real SSH server, for root tests."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.keeper import authorized_keys, enrolment
from holdstill.keeper import store as stores
from holdstill.model import names
from holdstill.model.settings import OwnLimits
from holdstill.system.clocks import SystemClock
from support import forked_commands, keys, loop, programs, sshd
from support.loop import MIB, LoopDisk

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from support.sshd import Sshd

MBR = """\
label: dos
label-id: 0x9a3c5d2e
start=8192, size=81920, type=c, bootable
start=90112, type=83
"""
"""The usual card: a FAT to boot from, and an ext4 root (common practice)."""
PROGRAM = (sys.executable, "-B", "-m", "holdstill")
"""What a keeper's sshd starts for a board."""
NO_KERNEL = 8
"""How a rebuild of such boards ends: written and read back, but there is nothing to boot."""
GPT = """\
label: gpt
label-id: 6E1FB2A0-1111-4222-8333-444455556666
start=8192, size=81920, type=C12A7328-F81F-11D2-BA4B-00A0C93EC93B, name=boot
start=90112, type=0FC63DAF-8483-4772-8E79-3D69D8477DE4, name=root
"""


@dataclass(frozen=True)
class Board:
    """A board whose root file system is mounted here."""

    disk: LoopDisk
    root: Path


@contextmanager
def running(
    folder: Path,
    *,
    script: str = MBR,
    size: int = 384 * MIB,
    kind: str = "ext4",
    mkfs: Sequence[str] = (),
) -> Iterator[Board]:
    """Hold a board with an unmounted FAT boot partition and a mounted root, an ext4 by default."""
    image = loop.partitioned_image(folder / "card.img", size=size, script=script)
    with loop.attached(image) as disk:
        boot, root = disk.partition(1), disk.partition(2)
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", "-n", "BOOTFS", "-i", "A40D85E7", boot)
        programs.run(f"mkfs.{kind}", "-q", "-L", "rootfs", *mkfs, root)
        fill_boot(boot, folder)
        with (
            loop.mounted(root, folder / "root", options="noatime") as at,
            loop.thaw_guard(at, seconds=120),
        ):
            (at / "etc").mkdir()
            (at / "etc/fstab").write_text(
                "PARTUUID=9a3c5d2e-02 / ext4 defaults,noatime 0 1\n", encoding="ascii"
            )
            yield Board(disk, at)


def fill_boot(device: Path, folder: Path) -> None:
    """Put a few files into a FAT, one of them hidden and in a folder, with a long name."""
    stage = folder / "boot"
    (stage / "overlays").mkdir(parents=True)
    (stage / "cmdline.txt").write_text("root=PARTUUID=9a3c5d2e-02 rootwait\n", encoding="ascii")
    (stage / "overlays" / "a long name é.dtbo").write_bytes(os.urandom(70_000))
    (stage / "empty.txt").write_bytes(b"")
    programs.run("mcopy", "-s", "-m", "-Q", "-i", device, *sorted(stage.iterdir()), "::/")
    programs.run("mattrib", "-i", device, "+h", "::/empty.txt")


@dataclass(frozen=True)
class Kept:
    """A board's settings file, the memory it may use, and the store that its captures go to."""

    settings: Path
    spool: Path
    store: Path
    server: Sshd


@contextmanager
def kept(
    folder: Path,
    board: Board,
    *,
    more: str = "",
    name: str = "pier-3",
    server_config: Sequence[str] = (),
) -> Iterator[Kept]:
    """Hold a keeper for a board behind a real SSH server.

    Args:
        folder: for all files of both.
        board: whose keeper it is.
        more: further lines of settings.
        name: the board's.
        server_config: further lines for the server.
    """
    place = folder / "keeper"
    place.mkdir()
    with sshd.running(place, extra=server_config) as server:
        key = keys.make_key(folder / "board_key", comment=name)
        store = place / "store"
        server.authorize(enrolled(store, name, key.public))
        settings = folder / "board.yaml"
        spool = Path(f"/dev/shm/hs-{os.getpid()}")  # noqa: S108  this kernel's only tmpfs
        settings.write_text(
            f"board: {name}\nkeeper: ssh://{server.user}@{server.host}:{server.port}\n"
            f"root: {board.root}\nkey: {key.private}\nhost_keys: {server.known_hosts}\n"
            f"state: {folder}/state\nspool: {spool}\n{more}",
            encoding="utf-8",
        )
        try:
            yield Kept(settings, spool, store, server)
        finally:
            shutil.rmtree(spool, ignore_errors=True)


@dataclass(frozen=True)
class Nearby:
    """A board's settings file, and the store on this machine that its captures go to."""

    settings: Path
    store: Path


@contextmanager
def kept_nearby(folder: Path, root: Path, *, more: str = "") -> Iterator[Nearby]:
    """Hold a store in a directory of this machine; more: further lines of settings."""
    store, settings = folder / "store", folder / "board.yaml"
    key = keys.make_key(folder / "board_key", comment="pier-3")
    enrolled(store, "pier-3", key.public)
    with tempfile.TemporaryDirectory(dir="/dev/shm") as memory:
        settings.write_text(
            f"board: pier-3\nkeeper: {store}\nroot: {root}\nkey: {key.private}\n"
            f"state: {folder}/state\nspool: {memory}/spool\n{more}",
            encoding="utf-8",
        )
        yield Nearby(settings, store)


def enrolled(root: Path, name: str, public: str) -> str:
    """Make a store and let a board in, as `keeper init` and `keeper enrol` do, but at once.

    Returns the board's line for authorized_keys.
    """
    store, board = stores.create(root, clock=SystemClock()), names.check_board(name)
    limits = OwnLimits(captures_per_day=0)  # some tests take hundreds
    enrolment.enrol(store, board, public, clock=SystemClock(), limits=limits)
    return authorized_keys.authorized_line(store, board, public, program=PROGRAM)


def holdstill(*words: object, accepted: Sequence[int] = (0,), timeout: float = 120) -> bytes:
    """Run the product as a person would; return what it printed."""
    done = forked_commands.attempt([*map(str, words)], timeout=timeout)
    told = (done.stderr + done.stdout).decode()
    assert done.returncode in accepted, f"{words}: {done.returncode}\n{told}"
    return done.stdout
