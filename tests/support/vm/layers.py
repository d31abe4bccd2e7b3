"""Boards with LVM, LUKS and mirrors (md) under root: made, run and captured in an emulated one.

This machine's kernel has neither device-mapper nor md, so a guest's does what needs them. What is
rebuilt is rebuilt here. What was captured is kept for the next run.
"""

from __future__ import annotations

import json
import os
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from support import loop, programs
from support.vm import board, kept, kinds, machine

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PASSPHRASE = "a tide of long ago"  # noqa: S105  of a test
"""Of the encrypted board as it was."""
SIZE = 2 << 30
STORE = "/mnt/store"
STORE_IMAGE = "store.img"
REFUSED = 4
STOP = """
udevadm settle
for turn in $(seq 60); do
    mdadm --quiet --stop "$1" && exit
    sleep 1
done
cat /proc/mdstat /proc/mounts >&2
exit 1
"""
"""Stops an array: udev may still look at it just after the unmount."""
CLOSE = """
udevadm settle
for try in $(seq 60); do cryptsetup close "$1" 2>/run/said && exit; sleep 1; done
cat /run/said
dmsetup info -c
grep -l "/dev/mapper/$1 " /proc/[0-9]*/mounts
ls -l /proc/[0-9]*/fd /proc/[0-9]*/exe | grep /dev/
ps axww
exit 1
"""
"""Close a container, once udev has looked at it: it does so after what wrote to it lets go
(udev(7), OPTIONS=watch), and cryptsetup(8) does not wait. Else tell who might hold it."""
HARDWARE = machine.Hardware(memory_mib=1024)
"""Unlocking takes 64 MiB, and the initramfs is in memory beside it."""


@dataclass(frozen=True)
class Layered:
    """One of the boards: its name, where the workshop has it, and the port of its gauge.

    Attributes:
        layers: what layers.sh calls it.
        containers: what is opened in it.
    """

    layers: str
    name: str
    place: str
    disk: str
    port: int
    containers: tuple[str, ...] = ()


LVM = Layered("lvm", "pier-lvm", "/a", "/dev/vdb", 4751)
LUKS = Layered("luks", "pier-luks", "/c", "/dev/vdc", 4752, ("data", "cryptroot"))
BOTH = (LVM, LUKS)
MIRRORS = Layered("mirrors", "pier-mirrors", "/a", "/dev/vdb", 4753)
"""On the disk of the first one, so never beside it."""


@contextmanager
def workshop(
    card: board.Card, folder: Path, boards: tuple[Layered, ...] = BOTH, *, store_size: int = SIZE
) -> Iterator[machine.Machine]:
    """Boot a machine that has the boards mounted, their gauges running, and an empty store."""
    disks = {"lvm.img": SIZE, "luks.img": SIZE, STORE_IMAGE: store_size}
    words: list[str] = []
    for number, (name, size) in enumerate(disks.items(), start=1):
        (folder / name).touch()
        os.truncate(folder / name, size)
        words += ["-drive", f"{_drive(folder / name)},if=virtio,index={number}"]
    with machine.booted(card, (*machine.from_uefi(card.image), *words), hardware=HARDWARE) as shop:
        shop.put("/root/layers.sh", (board.GUEST / "layers.sh").read_bytes())
        make = ("bash", "/root/layers.sh", PASSPHRASE, *(one.layers for one in boards))
        # An initramfs alone was seen to take 5 minutes, beside other tests.
        shop.run(*make, stdin=kinds.UNIT.encode(), timeout=1500)
        shop.run("holdstill", "keeper", "init", f"{STORE}/store")
        for one in boards:
            enrol(shop, one)
            shop.run("systemd-run", "--quiet", f"--unit=gauge-{one.name}", *_gauge(one))
        yield shop


def _drive(image: Path) -> str:
    return f"file={image},format=raw,cache=unsafe"


def _gauge(one: Layered) -> tuple[str, ...]:
    gauge = ("/usr/bin/python3", "/opt/tide-gauge/gauge.py", "0.05")
    return (*gauge, "--root", one.place, "--port", str(one.port))


def enrol(shop: machine.Machine, one: Layered) -> None:
    """Give a board a key at the keeper, and settings."""
    key = f"{STORE}/{one.name}.key"
    shop.run("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", key)
    enrolled = ("holdstill", "keeper", "enrol", f"{STORE}/store", one.name)
    shop.run(*enrolled, "--key", f"{key}.pub")
    settle(shop, one)


def settle(shop: machine.Machine, one: Layered, **more: str) -> None:
    """Write the settings of a board, and more of them."""
    settings = {
        "board": one.name,
        "keeper": f"{STORE}/store",
        "key": f"{STORE}/{one.name}.key",
        "state": f"{STORE}/state-{one.name}",
        "root": one.place,
        "disks": [one.disk],
        **more,
    }
    shop.put(f"/root/{one.name}.yaml", json.dumps(settings).encode())


def capture(shop: machine.Machine, one: Layered) -> tuple[int, dict[str, object], str]:
    """Capture a board; return how that ended, the report, and what was said."""
    words = ("holdstill", "capture", "--settings", f"/root/{one.name}.yaml", "--json")
    done = programs.attempt(*shop.words(*words), timeout=900)
    report = json.loads(done.stdout) if done.stdout.startswith(b"{") else {}
    return done.returncode, report, done.stderr.decode(errors="replace")


def grades(report: dict[str, object]) -> set[str]:
    """Return the grades of what is mounted on a board, by the report of its capture."""
    parts = report["parts"]
    assert isinstance(parts, list)
    return {part["grade"] for part in parts if part["place"]}


def finished(shop: machine.Machine, boards: tuple[Layered, ...] = BOTH) -> None:
    """End the gauges, and leave the boards and the store as whoever pulls the plug likes it."""
    shop.run("systemctl", "stop", *(f"gauge-{one.name}" for one in boards))
    shop.run("umount", "-R", *(one.place for one in boards), STORE)
    for name in (name for one in boards for name in one.containers):
        shop.run("sh", "-c", CLOSE, "close", name, timeout=180)
    if LVM in boards:
        shop.run("vgchange", "-qq", "-an", "board-vg")
    if MIRRORS in boards:
        for array in ("/dev/md0", "/dev/md1"):
            shop.run("sh", "-c", STOP, "stop", array, timeout=180)
    shop.stop()


def captured() -> Path:
    """Return a folder with a store of captures of both boards; made in this run or an earlier."""
    return kept.kept("layers-captured", board.LAYERS, _captured)


def _captured(folder: Path) -> None:
    card = board.build_card(board.tree(board.LAYERS), folder / "card.img")
    with workshop(card, folder) as shop:
        for _ in range(3):
            _point_in_time(capture(shop, LVM))
        code, _, said = capture(shop, LUKS)
        assert code == REFUSED, said
        assert "store-in-clear" in said
        settle(shop, LUKS, encrypted="store-in-clear")
        _point_in_time(capture(shop, LUKS))
        finished(shop)
    for name in ("card.img", "lvm.img", "luks.img"):
        (folder / name).unlink()


def captured_mirrors() -> Path:
    """Return a folder with a store of captures of the board on mirrors."""
    return kept.kept("mirrors-captured", board.LAYERS, _captured_mirrors)


def _captured_mirrors(folder: Path) -> None:
    card = board.build_card(board.tree(board.LAYERS), folder / "card.img")
    with workshop(card, folder, (MIRRORS,)) as shop:
        settings = f"/root/{MIRRORS.name}.yaml"
        seen = shop.run("holdstill", "inspect", "--settings", settings, "--json")
        (folder / "inspected.json").write_bytes(seen)
        for _ in range(2):
            _point_in_time(capture(shop, MIRRORS))
        finished(shop, (MIRRORS,))
    for name in ("card.img", "lvm.img", "luks.img"):
        (folder / name).unlink()


def _point_in_time(ended: tuple[int, dict[str, object], str]) -> None:
    code, report, said = ended
    assert code == 0, (said, report.get("findings"))
    assert grades(report) == {"point-in-time"}


@contextmanager
def store(folder: Path) -> Iterator[Path]:
    """Hold the store that the workshop left."""
    with (
        loop.attached(folder / STORE_IMAGE) as disk,
        loop.mounted(disk.device, folder / "kept") as kept,
    ):
        yield kept / "store"
