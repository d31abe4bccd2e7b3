"""The tree of files that a running system will see, made of several partitions by its fstab."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.model import paths, system_tables
from holdstill.model.entries import EntryType
from holdstill.rebuild.boot.report import SYSTEM, missing, unknown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.entries import Entry
    from holdstill.rebuild.boot.card import BootCard, BootVolume
    from holdstill.rebuild.boot.report import ChainLink


def of(card: BootCard, root: BootVolume) -> Namespace:
    """Return what the system on a root partition will see."""
    return Namespace(root, tuple(_mounted(card, root)))


def unseen(volume: BootVolume) -> ChainLink:
    """Return the link of a system that cannot be looked into."""
    kind = volume.kind or "of an unknown kind"
    return unknown(SYSTEM, f"{volume.name} is {kind}, whose files only the kernel reads")


def _mounted(card: BootCard, root: BootVolume) -> Iterator[tuple[bytes, BootVolume]]:
    for mount in system_tables.parse_fstab(root.text(b"etc/fstab") or ""):
        volumes = card.named(mount.spec)
        if len(volumes) == 1 and mount.point.startswith("/") and mount.point != "/":
            yield mount.point.strip("/").encode(), volumes[0]


@dataclass(frozen=True)
class Namespace:
    """The tree of files that the running system will see.

    Attributes:
        hidden: partitions to which a path has led so far, and whose files cannot be read.
    """

    root: BootVolume
    mounts: tuple[tuple[bytes, BootVolume], ...]
    hidden: dict[int, BootVolume] = field(default_factory=dict)

    def without(self, name: str, detail: str) -> ChainLink:
        """Return the link of what was not found: missing, or not to be seen."""
        for volume in self.hidden.values():
            return unseen(volume)
        return missing(name, detail)

    def find(self, path: str) -> tuple[BootVolume, Entry] | None:
        """Follow a path through symlinks and mount points; None when it leads nowhere."""
        done = b""
        todo = [part for part in path.encode().split(b"/") if part not in {b"", b"."}]
        for _ in range(1000):
            if not todo:
                return self._entry(done)
            name = todo.pop(0)
            if name == b"..":
                done = paths.split(done)[0]
                continue
            here = self._entry(paths.join(done, name))
            if here is None:
                return None
            if here[1].type is EntryType.SYMLINK:
                target = here[1].target
                done = b"" if target.startswith(b"/") else done
                todo = [part for part in target.split(b"/") if part not in {b"", b"."}] + todo
            else:
                done = paths.join(done, name)
        return None

    def _entry(self, path: bytes) -> tuple[BootVolume, Entry] | None:
        """Return the entry at a path that has no symlinks before its last name."""
        volume, inside = self.root, path
        for point, mounted in sorted(self.mounts):
            if path == point or path.startswith(point + b"/"):
                volume, inside = mounted, path[len(point) + 1 :]
        if volume.tree is None:
            self.hidden[volume.number] = volume
        entry = volume.tree.find(inside) if volume.tree else None
        return (volume, entry) if entry else None
