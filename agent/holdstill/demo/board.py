"""The demonstration's board: a card on a loop device, or a plain directory where none is had."""

from __future__ import annotations

import http.client
import itertools
import json
import os
import shutil
import stat
import struct
import sys
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.demo import card, loopback, material, tide_gauge
from holdstill.demo.report import Day
from holdstill.errors import CommandError, LinkError, PreflightError
from holdstill.system import files, ioctl, process
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from holdstill.demo.material import Share
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Background, Runner

READING_EVERY = 0.01
"""Seconds between two readings: more than any real gauge, so that a torn copy would show."""
GAUGE = Path("opt/tide-gauge/gauge.py")
ODDITIES = Path("srv/oddities")
_SETTLING = 10.0


@dataclass(frozen=True)
class Board:
    """A board that runs.

    Attributes:
        root: where its root file system is.
        image: its card.
        device: its card's device; None for a plain directory, which cannot be held still.
        gauge: the tide gauge that runs on it.
        port: where the gauge tells its newest reading.
    """

    root: Path
    image: Path
    device: Path | None
    gauge: Background
    port: int

    @property
    def disk(self) -> str:
        """What the board's settings say about its card."""
        return "auto" if self.device else str(self.image)


def why_no_loop_device(machine: Runner) -> str:
    """Return why this process cannot have a card on a loop device, "" if it can."""
    if os.geteuid() != 0:
        return "not root"
    try:
        machine.run(Command.of("losetup", "--find"))
    except CommandError as error:
        return f"no loop devices: {error}"
    return ""


@contextmanager
def on_loop_device(
    work: Path, *, machine: Runner, clock: Clock, shares: tuple[Share, ...] = material.SHARES
) -> Iterator[Board]:
    """Make the board on a loop device and let it run for the length of the block."""
    image, root = work / "card.img", work / "board"
    card.make(image, machine)
    with ExitStack() as undo:
        device = undo.enter_context(_attached(image, machine, clock))
        undo.enter_context(_mounted(partition(device, 2), root, machine, clock))
        furnish(root, machine, shares)
        gauge, port = undo.enter_context(_running_gauge(root, work / "gauge.log", clock))
        # Before anything is ended that may wait for a write: what is frozen cannot even be killed.
        undo.callback(thaw, root)
        yield Board(root, image, device, gauge, port)


@contextmanager
def in_directory(
    work: Path, *, machine: Runner, clock: Clock, shares: tuple[Share, ...] = material.SHARES
) -> Iterator[Board]:
    """Make the board as a plain directory; the card beside it has everything but the files."""
    image, root = work / "card.img", work / "board"
    card.make(image, machine)
    root.mkdir(mode=0o755)
    furnish(root, machine, shares)
    with _running_gauge(root, work / "gauge.log", clock) as (gauge, port):
        yield Board(root, image, None, gauge, port)


def partition(device: Path, number: int) -> Path:
    """Return the node of a partition of a loop device."""
    return device.with_name(f"{device.name}p{number}")


# --- loop device and mount ----------------------------------------------------------------------


@contextmanager
def _attached(image: Path, machine: Runner, clock: Clock) -> Iterator[Path]:
    try:
        words = ("losetup", "--find", "--show", "--partscan", image)
        device = Path(machine.run(Command.of(*words)).decode().strip())
        # A kernel without partition parsers of its own must be told; others do not mind.
        machine.run(Command.of("partx", "--update", device))
        _wait(partition(device, 2).is_block_device, f"{device} has no partitions", clock)
        yield device
    finally:
        _detach(image, machine)


def _detach(image: Path, machine: Runner) -> None:
    words = ("losetup", "--noheadings", "--output", "NAME", "--associated", image)
    for device in machine.run(Command.of(*words)).decode().split():
        machine.run(Command.of("losetup", "--detach", device))


@contextmanager
def _mounted(device: Path, root: Path, machine: Runner, clock: Clock) -> Iterator[None]:
    root.mkdir(mode=0o755)
    try:
        machine.run(Command.of("mount", "-t", "ext4", "-o", "noatime", device, root))
        yield
    finally:
        if root.is_mount():
            thaw(root)
            _unmount(root, machine, clock)


def _unmount(root: Path, machine: Runner, clock: Clock) -> None:
    """Unmount; what was just ended may hold it for another moment."""
    deadline = clock.monotonic() + _SETTLING
    while clock.monotonic() < deadline:
        with suppress(CommandError):
            machine.run(Command.of("umount", root))
            return
        clock.sleep(0.1)
    machine.run(Command.of("umount", root))


def thaw(root: Path) -> None:
    """Thaw, if somebody died and left it frozen."""
    with files.opened(root, os.O_RDONLY | os.O_DIRECTORY) as handle, suppress(OSError):
        ioctl.thaw(handle)


# --- contents -----------------------------------------------------------------------------------


def furnish(root: Path, machine: Runner, shares: tuple[Share, ...]) -> None:
    """Fill an empty root file system."""
    _copy_from_this_machine(root, machine, shares)
    for name, content in material.root_files().items():
        _write(root / name, content)
    (root / "usr/sbin/init").chmod(0o755)
    _write(root / GAUGE, Path(tide_gauge.__file__).read_bytes())
    (root / GAUGE).chmod(0o755)
    for name in ("dev", "proc", "run", "sys", "tmp", "mnt"):
        (root / name).mkdir(exist_ok=True)
    (root / "tmp").chmod(0o1777)
    path = root / "etc/ssh/ssh_host_ed25519_key"
    path.parent.mkdir(parents=True, exist_ok=True)
    words = ("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", f"root@{material.BOARD}")
    machine.run(Command.of(*words, "-f", path))
    make_oddities(root / ODDITIES)


def _copy_from_this_machine(root: Path, machine: Runner, shares: tuple[Share, ...]) -> None:
    # "./" before each name, because rsync skips names that begin with # or ;
    names = b"".join(b"./" + path + b"\0" for path in material.chosen_files(shares))
    words = ("rsync", "-aHAX", "--from0", "--files-from=-", "/", f"{root}/")
    machine.run(Command.of(*words, timeout=300, accepted=(0, 24)), stdin=names)
    for name in ("bin", "sbin", "lib", "lib64"):
        if Path("/", name).is_symlink():
            (root / name).symlink_to(Path("/", name).readlink())


def _write(path: Path, content: bytes) -> None:
    """Put a file in its place; never through a symlink, which may lead out of the board."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    with path.open("xb") as file:
        file.write(content)


def make_oddities(folder: Path) -> None:
    """Make what careless copies lose: one of each kind, as far as this user may."""
    folder.mkdir(parents=True)
    (folder / "first name").write_bytes(b"one file, two names\n")
    (folder / "second name").hardlink_to(folder / "first name")
    with (folder / "mostly a hole").open("wb") as file:
        file.write(b"start")
        file.truncate(48 << 20)
        file.seek(40 << 20)
        file.write(b"island")
    os.mkfifo(folder / "fifo", 0o620)
    (folder / "link to nowhere").symlink_to("nowhere/at all")
    _write(folder / "notes", b"with attributes\n")
    os.setxattr(folder / "notes", "user.place", b"pier-3\0\xff")
    handle = os.open(
        os.fsencode(folder) + b"/not \xff utf-8\nin two lines", os.O_CREAT | os.O_WRONLY
    )
    os.close(handle)
    _write(folder / "setuid", b"#!/bin/true\n")
    (folder / "setuid").chmod(0o4755)
    for make in (_make_access_list, _make_device, _make_capability, _make_foreign):
        with suppress(PermissionError):
            make(folder)


def _make_access_list(folder: Path) -> None:
    """Let user 70000 read a file (struct posix_acl_xattr_header, linux/posix_acl_xattr.h)."""
    nobody = 0xFFFFFFFF
    entries = [(1, 6, nobody), (2, 4, 70000), (4, 4, nobody), (16, 4, nobody), (32, 0, nobody)]
    value = struct.pack("<I", 2) + b"".join(struct.pack("<HHI", *entry) for entry in entries)
    _write(folder / "shared", b"with an access list\n")
    os.setxattr(folder / "shared", "system.posix_acl_access", value)


def _make_device(folder: Path) -> None:
    os.mknod(folder / "device", stat.S_IFCHR | 0o600, os.makedev(300, 70000))


def _make_capability(folder: Path) -> None:
    """Let a program bind low ports (struct vfs_cap_data, linux/capability.h, revision 2)."""
    _write(folder / "capable", b"\x7fELF")
    (folder / "capable").chmod(0o755)
    bind_low_ports = 1 << 10
    value = struct.pack("<5I", 0x02000001, bind_low_ports, 0, 0, 0)
    os.setxattr(folder / "capable", "security.capability", value)


def _make_foreign(folder: Path) -> None:
    _write(folder / "foreign", b"of an owner this machine does not know\n")
    os.chown(folder / "foreign", 70000, 80000)


# --- life ---------------------------------------------------------------------------------------


@contextmanager
def _running_gauge(root: Path, log: Path, clock: Clock) -> Iterator[tuple[Background, int]]:
    """Run the gauge, the board's own copy of it, for the length of the block."""
    port = loopback.free_port()
    python = shutil.which("python3", path=process.PLAIN_ENVIRONMENT["PATH"]) or sys.executable
    words = (python, "-I", "-B", root / GAUGE, str(READING_EVERY), "--root", root)
    with process.background(Command.of(*words, "--port", str(port)), log=log) as gauge:
        _wait(lambda: gauge.has_ended or bool(_counter(root)), "the gauge is silent", clock)
        if gauge.has_ended:
            raise PreflightError(f"the tide gauge does not run; see {log}")
        yield gauge, port


def _counter(root: Path) -> bytes:
    try:
        return (root / tide_gauge.TRAILING).read_bytes()
    except FileNotFoundError:
        return b""


def newest_reading(port: int) -> int:
    """Ask a gauge for its newest reading.

    Raises:
        LinkError: it does not answer.
    """
    asked = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        asked.request("GET", "/")
        return int(json.loads(asked.getresponse().read())["seq"])
    except (OSError, http.client.HTTPException) as error:
        raise LinkError(f"the tide gauge does not answer: {error}") from error
    finally:
        asked.close()


def _wait(happened: Callable[[], bool], otherwise: str, clock: Clock) -> None:
    deadline = clock.monotonic() + _SETTLING
    while not happened():
        if clock.monotonic() > deadline:
            raise PreflightError(otherwise)
        clock.sleep(0.05)


def live_on(root: Path) -> Day:
    """Do to the board what a day does: files are added, changed, renamed and removed."""
    added = [root / f"var/lib/harbour/{number:03}.csv" for number in range(60)]
    for path in added:
        _write(path, material.noise(path.name, 8 << 10))
    for path in added[:20]:
        path.rename(root / f"srv/harbour-{path.name}")
    folder = root / "usr/share"
    found = (p for p in sorted(folder.rglob("*")) if p.is_file() and not p.is_symlink())
    removed = list(itertools.islice(found, 40))
    for path in removed:
        path.unlink()
    with (root / "var/log/harbour.log").open("ab") as log:
        log.write(b"a boat came in\n" * 200)
    _write(root / "etc/hosts", material.root_files()["etc/hosts"] + b"192.0.2.7\tboathouse\n")
    (root / "opt").chmod(0o750)
    return Day(added=60, added_bytes=60 * (8 << 10), renamed=20, removed=len(removed), edited=3)
