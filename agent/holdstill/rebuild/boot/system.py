"""What the system needs once its kernel runs: init, the file systems of fstab, modules."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from holdstill.model import paths, system_tables
from holdstill.model.entries import EntryType
from holdstill.rebuild.boot import card as cards
from holdstill.rebuild.boot import kernels, namespace, unlocked
from holdstill.rebuild.boot.commandline import EXT
from holdstill.rebuild.boot.report import KernelFile, found, lacking, missing, unknown

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.model.entries import Entry
    from holdstill.model.system_tables import FstabEntry
    from holdstill.rebuild.boot.card import BootCard, BootVolume
    from holdstill.rebuild.boot.namespace import Namespace
    from holdstill.rebuild.boot.report import ChainLink

INITS = ("/sbin/init", "/etc/init", "/bin/init", "/bin/sh")
"""What the kernel tries, in this order (Linux init/main.c, kernel_init)."""
OWN_POINTS = frozenset(
    {"/", "/boot", "/boot/efi", "/boot/firmware", "/efi", "/home", "/opt", "/root", "/usr", "/var"}
)
"""What a board mounts from its own card; other places may be on another disk."""
INIT_LIMIT = 64 << 20
_NO_SYSTEM = frozenset({"", "swap", "vfat"})
"""Kinds of volumes that no system is on: nothing that is known, too."""


def links(
    card: BootCard, root: BootVolume, kernels_found: Sequence[KernelFile]
) -> Iterator[ChainLink]:
    """Return whether the system on a root partition has what it needs."""
    if root.tree is None:
        yield namespace.unseen(root)
        return
    mounts = system_tables.parse_fstab(root.text(b"etc/fstab") or "")
    space = namespace.of(card, root)
    inits = dict.fromkeys(kernel.init for kernel in kernels_found) or [""]
    for init in inits:
        yield from _init_links(space, init)
    if root.find(b"etc/fstab") is None:
        yield unknown("fstab", "the system has none")
    for mount in mounts:
        yield from _mount_links(card, mount)
    for locked in system_tables.parse_crypttab(root.text(b"etc/crypttab") or ""):
        yield from unlocked.links(card, space, locked)
    for kernel in dict.fromkeys((k.volume, k.path) for k in kernels_found):
        yield _modules_link(card, space, *kernel)


def _init_links(space: Namespace, init: str) -> Iterator[ChainLink]:
    tried = (init,) if init else INITS
    for path in tried:
        there = space.find(path)
        if there and there[1].type is EntryType.FILE and there[1].size:
            yield _program_link(path, there)
            # A program is started by its dynamic linker; without that nothing starts at all.
            volume, entry = there
            content = volume.read(entry.path, limit=INIT_LIMIT) or b""
            interpreter = elf_interpreter(content)
            if interpreter and space.find(interpreter) is None:
                yield space.without("dynamic linker", f"{interpreter}, which init needs")
            elif interpreter:
                yield found("dynamic linker", interpreter)
            return
    yield space.without("init", f"none of {', '.join(tried)} leads to a program")


def _program_link(path: str, there: tuple[BootVolume, Entry]) -> ChainLink:
    volume, entry = there
    shown = f"{path} is {paths.display(entry.path)} on {volume.name}"
    if not entry.mode & 0o111 and volume.kind != "vfat":
        return missing("init", f"{shown}, which may not be executed")
    return found("init", shown)


def elf_interpreter(content: bytes) -> str:
    """Return PT_INTERP of an ELF program (System V ABI, chapters 4 and 5); "" without one."""
    if content[:4] != b"\x7fELF" or len(content) < 64:
        return ""
    is_64, order = content[4] == 2, ">" if content[5] == 2 else "<"
    try:
        form, place = ("Q", 32) if is_64 else ("I", 28)
        (table,) = struct.unpack_from(order + form, content, place)
        size, count = struct.unpack_from(order + "HH", content, 54 if is_64 else 42)
        for number in range(count):
            at = table + number * size
            (kind,) = struct.unpack_from(order + "I", content, at)
            if kind == 3:  # PT_INTERP
                if is_64:
                    (offset,) = struct.unpack_from(order + "Q", content, at + 8)
                    (length,) = struct.unpack_from(order + "Q", content, at + 32)
                else:
                    (offset,) = struct.unpack_from(order + "I", content, at + 4)
                    (length,) = struct.unpack_from(order + "I", content, at + 16)
                return (
                    content[offset : offset + min(length, 4096)]
                    .rstrip(b"\0")
                    .decode(errors="replace")
                )
    except struct.error:
        return ""
    return ""


def _mount_links(card: BootCard, mount: FstabEntry) -> Iterator[ChainLink]:
    """Return whether a line of fstab leads to a partition of this card."""
    volumes = card.named(mount.spec)
    if not volumes and not cards.names_a_partition(mount.spec):
        return
    name = f"fstab {mount.point}" if mount.kind != "swap" else "fstab swap"
    if len(volumes) == 1:
        yield _kind_link(name, mount, volumes[0])
    elif volumes:
        numbers = " and ".join(str(volume.number) for volume in volumes)
        yield missing(name, f"{mount.spec} is both partition {numbers}")
    elif mount.may_fail or mount.kind == "swap":
        yield lacking(name, f"{mount.spec} is not on this card")
    elif mount.point in OWN_POINTS:
        yield missing(name, f"{mount.spec} is not on this card")
    else:
        yield unknown(name, f"{mount.spec} must be on another disk of the board")


def _kind_link(name: str, mount: FstabEntry, volume: BootVolume) -> ChainLink:
    same = mount.kind in {"auto", volume.kind} or {mount.kind, volume.kind} <= EXT
    if volume.kind and not same and not {mount.kind, volume.kind} <= {"vfat", "msdos"}:
        return missing(name, f"{mount.spec} is a {volume.kind}, not a {mount.kind}")
    subvolumes = [option for option in mount.options if option.startswith("subvol")]
    if volume.kind == "btrfs" and subvolumes:
        return unknown(name, f"whether {volume.name} has {subvolumes[0]} cannot be seen")
    return found(name, f"{mount.spec} is {volume.name}")


def _modules_link(card: BootCard, space: Namespace, number: int, path: bytes) -> ChainLink:
    """Return whether the modules of a kernel are there; one without any still boots."""
    version = _version(card, number, path)
    shown = paths.display(path)
    if not version:
        return unknown("modules", f"the version of {shown} cannot be read")
    for folder in ("/lib/modules", "/usr/lib/modules"):
        if space.find(f"{folder}/{version}/modules.dep"):
            return found("modules", f"{shown} is {version}")
    return lacking("modules", f"{shown} is {version}, and there is no /lib/modules/{version}")


def _version(card: BootCard, number: int, path: bytes) -> str:
    volume = card.volume(number)
    real = volume.real_path(path)
    named = kernels.version_in_name(real or path)
    if named:
        return named
    content = volume.read(path, limit=kernels.LIMIT)
    return kernels.version_inside(content) if content else ""


def find_roots(card: BootCard, roots: Sequence[str | None]) -> list[BootVolume]:
    """Return the root partition: what a chain names, else what was /, else what seems to be one.

    There may be several of the last, or some that only the kernel, or whoever has a key, can read.
    """
    for root in roots:
        named = card.named(root) if root else []
        if len(named) == 1:
            return named
    looks = [v for v in card.volumes if {b"etc", b"dev", b"usr"} <= set(v.names(b""))]
    if len(looks) != 1 and card.system_at is not None:
        looks = [v for v in card.volumes if v.number == card.system_at[0]]
    return looks or [v for v in card.volumes if v.tree is None and v.kind not in _NO_SYSTEM]
