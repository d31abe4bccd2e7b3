"""Machines on which somebody has just installed Debian: nothing of ours, and a user with sudo.

Two of them stand beside each other, on one wire and on no other: what they need of Debian's
packages is in apt's cache, as a mirror would have given it.
"""

from __future__ import annotations

import os
import re
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from support import programs
from support.vm import board, machine

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.vm.board import Card, Ids, Tree
    from support.vm.machine import Machine

BUILD = Path(__file__).with_name("build_fresh.sh")
CONTROL = board.PROJECT / "configs/package/control.in"
OWNER = "harbour"
WIRES = {"boathouse": "52:54:00:00:00:07", "pier-3": "52:54:00:00:00:03"}
"""Network cards; build_fresh.sh gives them their addresses, 192.0.2.7 and 192.0.2.3."""


@dataclass(frozen=True)
class Pair:
    """A keeper and a board, both fresh."""

    keeper: Machine
    board: Machine


def wanted() -> list[str]:
    """Return the Debian packages that apt installs with ours."""
    fields = re.findall(r"^(?:Depends|Recommends): (.*)$", CONTROL.read_text(), re.MULTILINE)
    names = {word.split()[0] for words in fields for word in words.split(",")}
    return sorted(names - {"libc6"})


def tree(release: str) -> Tree:
    """Return the root tree of a release, from the cache if it is there."""
    recipe = board.hashed("\n".join([BUILD.read_text(), *wanted()]))
    kept = board.cache() / f"fresh-{release}-{recipe}"
    with board.locked(board.cache() / f"fresh-{release}.lock"):
        if not kept.exists():
            _build(release, kept)
    return board.Tree(kept / "root", kept / "key", board.Architecture.AMD64)


def _build(release: str, kept: Path) -> None:
    with board.scratch(board.cache()) as work:
        key = ("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "board-test")
        programs.run(*key, "-f", work / "key")
        given = board.apt_sources()
        sources = work / given.name
        sources.write_text(given.read_text().replace("bookworm", release))
        where = (work / "root", sources, work / "key.pub")
        log = programs.run(BUILD, release, *where, *wanted(), timeout=3600)
        (work / "build.log").write_bytes(log)
        work.rename(kept)


def card(made_from: Tree, image: Path, name: str) -> Card:
    """Make a card of a fresh machine."""

    def furnish(root: Path, ids: Ids) -> None:
        board.replace(root / "etc/hostname", f"{name}\n")
        # A home's router tells machines each other's names.
        names = f"127.0.0.1 localhost\n127.0.1.1 {name}\n192.0.2.7 boathouse\n192.0.2.3 pier-3\n"
        board.replace(root / "etc/hosts", names)
        board.replace(root / "etc/fstab", board.fstab(ids))

    return board.build_card(made_from, image, size=4 << 30, furnished=furnish)


@contextmanager
def booted(folder: Path, release: str) -> Iterator[Pair]:
    """Boot a keeper and a board, whose host keys differ, on a wire of their own."""
    made_from = tree(release)
    found: dict[str, Machine] = {}
    with ExitStack() as undo:
        for name, mac in WIRES.items():
            end = "on" if not found else "off"
            wire = f"stream,id=link,server={end},addr.type=unix,addr.path={folder}/wire"
            plug = f"virtio-net-pci,netdev=link,mac={mac},romfile="
            one = card(made_from, folder / f"{name}.img", name)
            words = (*machine.from_uefi(one.image), "-netdev", wire, "-device", plug)
            found[name] = undo.enter_context(machine.booted(one, words))
            found[name].run("systemctl", "is-system-running", "--wait", timeout=300)
        keeper = found["boathouse"]
        keeper.run("bash", "-c", "rm /etc/ssh/ssh_host_*; ssh-keygen -A; systemctl restart ssh")
        yield Pair(keeper, found["pier-3"])


def busy_seconds(pier: Machine) -> float:
    """Return the processor time that the emulator of a machine has used (proc(5), stat)."""
    stat = Path(f"/proc/{pier.emulator.pid}/stat").read_text(encoding="ascii")
    ticks = stat.rpartition(")")[2].split()[11:13]
    return sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")
