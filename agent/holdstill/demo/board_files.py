"""The files of the demonstration's board, and the changes of a day."""

from __future__ import annotations

import itertools
import os
import stat
import struct
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.demo import material, tide_gauge
from holdstill.demo.report import Day
from holdstill.system.process import Command

if TYPE_CHECKING:
    from holdstill.demo.material import Share
    from holdstill.system.process import Runner


GAUGE = Path("opt/tide-gauge/gauge.py")


ODDITIES = Path("srv/oddities")


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
