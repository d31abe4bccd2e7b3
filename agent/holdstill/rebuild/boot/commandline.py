"""A kernel's command line: whether the root file system that it names is on this card."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

from holdstill.model import system_tables
from holdstill.rebuild.boot import card as cards
from holdstill.rebuild.boot.report import found, lacking, missing, unknown

if TYPE_CHECKING:
    from holdstill.rebuild.boot.card import BootCard
    from holdstill.rebuild.boot.report import ChainLink

NEEDS_INITRAMFS = ("UUID=", "LABEL=")
"""What the kernel does not look up by itself (Linux block/early-lookup.c)."""


def words(line: str) -> list[str]:
    """Split a command line into its parameters; quoted spaces do not separate."""
    try:
        return shlex.split(line)
    except ValueError:
        return line.split()


def value(line: str, key: str) -> str | None:
    """Return the last value of a parameter, None when it is not there."""
    values = [word.partition("=")[2] for word in words(line) if word.startswith(f"{key}=")]
    return values[-1] if values else None


class Initramfs:
    """Whether a kernel gets one."""

    PRESENT, ABSENT, UNKNOWN = range(3)


def root_links(card: BootCard, line: str, *, initramfs: int) -> list[ChainLink]:
    """Return whether root= and resume= of a command line lead to partitions of this card."""
    root = value(line, "root")
    if root is None:
        if initramfs == Initramfs.ABSENT:
            return [missing("root=", "the command line does not name a root file system")]
        return [unknown("root=", "the command line names none; the initramfs may know it")]
    links = [_root_link(card, root, value(line, "rootfstype"))]
    normal = system_tables.normal_spec(root)
    if normal.startswith(NEEDS_INITRAMFS) and initramfs == Initramfs.ABSENT:
        links.append(missing("initramfs", f"root={root} is found only by one, and none is loaded"))
    resume = value(line, "resume")
    if resume and cards.names_a_partition(resume) and not card.named(resume):
        links.append(lacking("resume=", f"{resume} is not on this card: starting takes longer"))
    return links


def _root_link(card: BootCard, root: str, kind: str | None) -> ChainLink:
    volumes = card.named(root)
    if not volumes and not cards.names_a_partition(root):
        return unknown("root=", f"{root} is not a partition")
    if not volumes:
        return missing("root=", f"{root} is not on this card")
    if len(volumes) > 1:
        numbers = " and ".join(str(volume.number) for volume in volumes)
        return missing("root=", f"{root} is both partition {numbers}")
    volume = volumes[0]
    # ext4 mounts the older two of its family, too.
    if kind and volume.kind and not (kind == volume.kind or {kind, volume.kind} <= EXT):
        return missing("root=", f"{root} is a {volume.kind}, not a {kind}")
    return found("root=", f"{root} is {volume.name}")


EXT = {"ext2", "ext3", "ext4"}
