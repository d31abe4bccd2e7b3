"""EFI firmware, with loader entries or GRUB; and GRUB in the first sector."""

from __future__ import annotations

import re
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

from holdstill.rebuild.boot import loaders, menus, settings
from holdstill.rebuild.boot.report import Chain, KernelFile, found, missing, unknown

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.rebuild.boot.card import BootCard, BootVolume
    from holdstill.rebuild.boot.report import ChainLink
    from holdstill.rebuild.boot.settings import MenuEntry

EFI_LOADER = re.compile(r"boot(aa64|arm|x64|ia32|riscv64|loongarch64)\.efi", re.IGNORECASE)
GRUB_PLACES = (b"boot/grub/grub.cfg", b"grub/grub.cfg", b"boot/grub2/grub.cfg", b"grub2/grub.cfg")


def efi_chains(card: BootCard) -> Iterator[Chain]:
    """Yield a chain for each partition with a program that EFI firmware starts by itself."""
    for volume in card.volumes:
        names = [name.decode(errors="replace") for name in volume.names(b"EFI/BOOT")]
        programs = [name for name in names if EFI_LOADER.fullmatch(name)]
        if volume.kind == "vfat" and programs:
            yield _efi_chain(card, volume, programs)


def _efi_chain(card: BootCard, volume: BootVolume, programs: Sequence[str]) -> Chain:
    title = f"EFI on {volume.name}"
    links = [_program_link(volume, name) for name in programs]
    entries = list(_loader_entries(card, volume)) or list(_grub_entries(card, volume))
    if not entries:
        # A kernel may be an EFI program itself, with its command line inside.
        unified = [name for name in volume.names(b"EFI/Linux") if name.lower().endswith(b".efi")]
        path = b"EFI/Linux/" + unified[-1] if unified else b"EFI/BOOT/" + programs[0].encode()
        shown = path.decode(errors="replace")
        link = unknown("command line", f"there is no menu; it may be inside {shown}")
        return Chain(title, (*links, link), KernelFile(volume.number, path))
    (home, chosen), *others = entries
    made, kernel = menus.entry_links(card, home, chosen)
    return Chain(title, (*links, *made, *menus.other_entries(card, others)), kernel)


def _program_link(volume: BootVolume, name: str) -> ChainLink:
    entry = volume.file(b"EFI/BOOT/" + name.encode())
    content = volume.read(entry.path, limit=64 << 20) if entry else None
    good = content is not None and content[:2] == b"MZ"
    return found("program", name) if good else missing("program", f"{name} is no EFI program")


def _loader_entries(card: BootCard, volume: BootVolume) -> Iterator[tuple[BootVolume, MenuEntry]]:
    """Yield the loader entries, the default first (UAPI group, Boot Loader Specification)."""
    homes = [volume, *(v for v in card.volumes if v is not volume and v.kind == "vfat")]
    listed = [
        (home, name)
        for home in homes
        for name in home.names(b"loader/entries")
        if name.endswith(b".conf")
    ]
    default = _default_entry(volume)
    listed.sort(key=lambda pair: (not _matches(pair[1], default), pair[1]), reverse=False)
    for home, name in listed:
        text = home.text(b"loader/entries/" + name) or ""
        yield home, settings.parse_loader_entry(name.decode(errors="replace"), text)


def _default_entry(volume: BootVolume) -> str:
    text = volume.text(b"loader/loader.conf") or ""
    words = [line.split(None, 1) for line in text.splitlines()]
    return next((w[1].strip() for w in words if len(w) == 2 and w[0] == "default"), "")


def _matches(name: bytes, pattern: str) -> bool:
    text = name.decode(errors="replace")
    return fnmatchcase(text, pattern) or text.removesuffix(".conf") == pattern


def _grub_entries(card: BootCard, volume: BootVolume) -> Iterator[tuple[BootVolume, MenuEntry]]:
    """Yield what GRUB's menu starts: from the file beside its program, or where that leads."""
    for folder in volume.names(b"EFI"):
        text = volume.text(b"EFI/" + folder + b"/grub.cfg")
        if text is not None:
            yield from _placed(card, volume, settings.parse_grub(text))
            for search, _ in settings.grub_redirects(text):
                for home in card.named(search):
                    yield from _grub_menu(card, home)
    yield from _grub_menu(card, volume)


def _grub_menu(card: BootCard, volume: BootVolume) -> Iterator[tuple[BootVolume, MenuEntry]]:
    for path in GRUB_PLACES:
        text = volume.text(path)
        if text is not None:
            yield from _placed(card, volume, settings.parse_grub(text))


def _placed(
    card: BootCard, volume: BootVolume, entries: Sequence[MenuEntry]
) -> Iterator[tuple[BootVolume, MenuEntry]]:
    for entry in entries:
        searched = card.named(entry.search) if entry.search else []
        yield (searched[0] if searched else volume), entry


def grub_chains(card: BootCard) -> Iterator[Chain]:
    """Yield a chain for GRUB in the first sector, as PCs of the old kind start it."""
    code = list(loaders.pc_loaders(card))
    for volume in card.volumes:
        entries = list(_grub_menu(card, volume)) if code and "GRUB" in code[0] else []
        if entries:
            links, kernel = menus.entry_links(card, *entries[0])
            yield Chain(f"GRUB on {volume.name}", (found("loader", code[0]), *links), kernel)
