"""Boot loaders with menus in extlinux.conf and its kind, and what any menu's entry needs."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from holdstill.rebuild.boot import commandline, loaders, settings
from holdstill.rebuild.boot.commandline import Initramfs
from holdstill.rebuild.boot.report import (
    LOADER,
    Chain,
    KernelFile,
    found,
    lacking,
    missing,
    unknown,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.rebuild.boot.card import BootCard, BootVolume
    from holdstill.rebuild.boot.report import ChainLink
    from holdstill.rebuild.boot.settings import MenuEntry

EXTLINUX = (b"extlinux/extlinux.conf", b"boot/extlinux/extlinux.conf", b"extlinux.conf")
SYSLINUX = (b"syslinux.cfg", b"syslinux/syslinux.cfg", b"boot/syslinux/syslinux.cfg")
LDLINUX = (b"ldlinux.sys", b"syslinux/ldlinux.sys", b"extlinux/ldlinux.sys")
NO_LOADER = b"not a bootable disk"
"""What mkfs.vfat's boot sector contains when no loader was installed there (dosfstools)."""
LOADER_FILES = (b"MLO", b"u-boot.img", b"u-boot.bin", b"tispl.bin", b"tiboot3.bin")
ENTRIES_MOST = 200
"""Entries of a menu that are looked at beside the one that starts by itself."""
VARIABLE = re.compile(r"\$\{?\w+")


def extlinux_chains(card: BootCard, *, earlier: Sequence[Chain]) -> Iterator[Chain]:
    """Yield a chain for each extlinux.conf, which U-Boot or EXTLINUX reads."""
    for volume, path in files_of(card, EXTLINUX):
        first = loader_link(card, volume, earlier)
        yield _menu_chain(card, volume, path, "extlinux.conf", first)


def syslinux_chains(card: BootCard) -> Iterator[Chain]:
    """Yield a chain for each configuration of SYSLINUX."""
    for volume, path in files_of(card, SYSLINUX):
        yield _menu_chain(card, volume, path, "SYSLINUX", _syslinux_link(card, volume))


def files_of(card: BootCard, wanted: Sequence[bytes]) -> Iterator[tuple[BootVolume, bytes]]:
    """Yield every partition that has one of these files, with its path."""
    for volume in card.volumes:
        for path in wanted:
            if volume.file(path):
                yield volume, path


def loader_link(card: BootCard, volume: BootVolume, earlier: Sequence[Chain]) -> ChainLink:
    """Return what starts U-Boot: the boot gap, files for a boot ROM, or an earlier stage."""
    in_gap = loaders.in_gap(card)
    if in_gap:
        return found(LOADER, ", ".join(in_gap))
    files = [name for name in LOADER_FILES if any(v.file(name) for v in card.volumes)]
    if files:
        return found(LOADER, ", ".join(name.decode() for name in files))
    if any(not chain.kernel and chain.is_whole for chain in earlier):
        return found(LOADER, "started by the chain above")
    if volume.find(b"ldlinux.sys") or volume.find(b"extlinux/ldlinux.sys"):
        return _syslinux_link(card, volume)
    if card.boot_areas:
        areas = " and ".join(card.boot_areas)
        return unknown(
            LOADER,
            f"none on this card, but the board's eMMC had something in {areas}: the board needs "
            "that as well, which a rebuild writes if --boot-areas is said",
        )
    return unknown(LOADER, "none on this card: the board must have one in memory of its own")


def _syslinux_link(card: BootCard, volume: BootVolume) -> ChainLink:
    """SYSLINUX lives in sectors, too: a copy of its files alone does not boot."""
    if not any(volume.find(path) for path in LDLINUX):
        return missing(LOADER, "ldlinux.sys")
    if NO_LOADER in volume.first_sector or not any(volume.first_sector[90:440]):
        return missing(LOADER, f"the boot sector of {volume.name}: install SYSLINUX there again")
    if not loaders.boot_code(card):
        return missing(LOADER, "boot code in the first sector of the card")
    return found(LOADER, "SYSLINUX")


def _menu_chain(
    card: BootCard, volume: BootVolume, path: bytes, name: str, first: ChainLink
) -> Chain:
    default, entries = settings.parse_extlinux(volume.text(path) or "")
    title = f"{name} on {volume.name}"
    if not entries:
        return Chain(title, (first, missing("menu", f"{path.decode()} has no entry")))
    chosen = next((entry for entry in entries if entry.name == default), entries[0])
    folder = path.rpartition(b"/")[0]
    links, kernel = entry_links(card, volume, chosen, folder=folder)
    rest = [(volume, entry) for entry in entries if entry is not chosen]
    others = other_entries(card, rest, folder=folder)
    return Chain(title, (first, *links, *others), kernel)


def other_entries(
    card: BootCard, entries: Sequence[tuple[BootVolume, MenuEntry]], *, folder: bytes = b""
) -> Iterator[ChainLink]:
    """Yield what is broken about the entries of a menu that it does not start by itself."""
    for volume, entry in entries[:ENTRIES_MOST]:
        links, _ = entry_links(card, volume, entry, folder=folder)
        if broken := [link for link in links if link.breaks]:
            yield lacking(f"entry {entry.name!r}", broken[0].name)
    if len(entries) > ENTRIES_MOST:
        yield unknown("other entries", f"only {ENTRIES_MOST} of {len(entries)} were looked at")


def entry_links(
    card: BootCard, volume: BootVolume, entry: MenuEntry, *, folder: bytes = b""
) -> tuple[list[ChainLink], KernelFile | None]:
    """Return whether everything that a menu entry names is there."""
    kernel = _path(entry.kernel, folder)
    links = [_file_link(volume, "kernel", entry.kernel, folder)]
    gone = [name for name in entry.initrds if not volume.file(_path(name, folder))]
    links += [missing("initramfs", name) for name in gone]
    if entry.initrds and not gone:
        links.append(found("initramfs", ", ".join(entry.initrds)))
    links += _tree_links(volume, entry, folder)
    initramfs = Initramfs.PRESENT if entry.initrds and not gone else Initramfs.ABSENT
    links += commandline.root_links(card, entry.options, initramfs=initramfs)
    root = commandline.value(entry.options, "root")
    init = commandline.value(entry.options, "init") or ""
    return links, KernelFile(volume.number, kernel, root, init) if entry.kernel else None


def _path(name: str, folder: bytes) -> bytes:
    """Return a path in a partition; a relative one starts at the menu's directory."""
    raw = name.replace("\\", "/").encode()
    return raw.lstrip(b"/") if raw.startswith(b"/") or not folder else folder + b"/" + raw


def _file_link(volume: BootVolume, what: str, name: str, folder: bytes) -> ChainLink:
    if not name:
        return missing(what, "the entry names none")
    if VARIABLE.search(name):
        return unknown(what, f"{name} depends on the board")
    there = volume.file(_path(name, folder))
    return found(what, name) if there else missing(what, f"{name} on {volume.name}")


def _tree_links(volume: BootVolume, entry: MenuEntry, folder: bytes) -> Iterator[ChainLink]:
    if entry.device_tree:
        yield _file_link(volume, "device tree", entry.device_tree, folder)
    elif entry.device_trees:
        there = volume.find(_path(entry.device_trees, folder))
        if there:
            yield unknown("device tree", f"the board chooses one in {entry.device_trees}")
        else:
            yield missing("device tree", entry.device_trees)
