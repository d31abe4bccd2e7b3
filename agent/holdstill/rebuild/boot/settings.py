"""Files of settings that boot loaders read, understood without touching anything."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NamedTuple


class Setting(NamedTuple):
    """A line of a firmware's config.txt.

    Attributes:
        section: the filter it is under; "all" for none.
    """

    section: str
    key: str
    value: str


def parse_config(text: str) -> list[Setting]:
    """Understand config.txt (board documentation, "config.txt"): filters, key=value."""
    settings, section = [], "all"
    for raw in text.splitlines():
        line = raw.partition("#")[0].strip()
        if line.startswith("[") and line.endswith("]"):
            section = line[1:-1].strip().lower()
            continue
        key, equals, value = line.partition("=")
        if not equals:
            key, _, value = line.partition(" ")
        if key.strip():
            settings.append(Setting(section, key.strip().lower(), value.strip()))
    return settings


@dataclass(frozen=True)
class MenuEntry:
    """What one entry of a boot menu starts; paths as written there.

    Attributes:
        search: the file system that GRUB is set to search for, "" for the menu's own.
    """

    name: str
    kernel: str = ""
    initrds: tuple[str, ...] = ()
    device_tree: str = ""
    device_trees: str = ""
    options: str = ""
    search: str = ""


@dataclass
class _Building:
    name: str
    values: dict[str, list[str]] = field(default_factory=dict)

    def add(self, key: str, value: str) -> None:
        self.values.setdefault(key, []).append(value)

    def first(self, *keys: str) -> str:
        return next((self.values[key][0] for key in keys if key in self.values), "")

    def entry(self, *, initrds: tuple[str, ...], options: str, search: str = "") -> MenuEntry:
        return MenuEntry(
            self.name,
            kernel=self.first("linux", "kernel"),
            initrds=initrds,
            device_tree=self.first("fdt", "devicetree"),
            device_trees=self.first("fdtdir", "devicetreedir"),
            options=options,
            search=search,
        )


def parse_extlinux(text: str) -> tuple[str, list[MenuEntry]]:
    """Understand extlinux.conf or syslinux.cfg; return the default's name and the entries.

    U-Boot doc/develop/distro.rst and doc/README.pxe list the keywords.
    """
    default, entries, building = "", list[MenuEntry](), None
    shared = _Building("")
    for raw in text.splitlines():
        words = raw.strip().split(None, 1)
        if not words or words[0].startswith("#"):
            continue
        key, value = words[0].lower(), words[1].strip() if len(words) > 1 else ""
        if key == "default":
            default = value
        elif key == "label":
            if building:
                entries.append(_extlinux_entry(building, shared))
            building = _Building(value)
        else:
            (building or shared).add(key, value)
    if building:
        entries.append(_extlinux_entry(building, shared))
    return default, entries


def _extlinux_entry(building: _Building, shared: _Building) -> MenuEntry:
    options = building.first("append") or shared.first("append")
    # A kernel line may carry its command line, and append may name the initrd.
    kernel, _, rest = building.first("linux", "kernel").partition(" ")
    options = f"{rest} {options}".strip()
    listed = building.first("initrd")
    if not listed:
        named = re.search(r"(?:^|\s)initrd=(\S+)", options)
        listed = named[1] if named else ""
    building.values["linux"] = [kernel]
    return building.entry(initrds=tuple(filter(None, listed.split(","))), options=options)


def parse_loader_entry(name: str, text: str) -> MenuEntry:
    """Understand a boot loader entry (UAPI group, Boot Loader Specification, type 1)."""
    building = _Building(name)
    for raw in text.splitlines():
        words = raw.strip().split(None, 1)
        if len(words) == 2 and not words[0].startswith("#"):
            building.add(words[0].lower(), words[1].strip())
    return building.entry(
        initrds=tuple(building.values.get("initrd", ())),
        options=" ".join(building.values.get("options", ())),
    )


_GRUB_ENTRY = re.compile(r"""\s*menuentry\s+(?:'([^']*)'|"([^"]*)"|(\S+))""")
_GRUB_LINUX = re.compile(r"\s*linux(?:efi|16)?\s+(\S+)\s*(.*)")
_GRUB_INITRD = re.compile(r"\s*initrd(?:efi|16)?\s+(.*)")
_GRUB_TREE = re.compile(r"\s*devicetree\s+(\S+)")
_GRUB_SEARCH = re.compile(r"\s*search(?:\.fs_uuid|\.fs_label)?\s+(.*)")
_GRUB_CONFIG = re.compile(r"\s*configfile\s+(\S+)")


def parse_grub(text: str) -> list[MenuEntry]:
    """Parse as much of a grub.cfg as defines what its entries start."""
    entries: list[MenuEntry] = []
    common = search = ""
    building: _Building | None = None
    for line in text.splitlines():
        if match := _GRUB_ENTRY.match(line):
            building, search = _Building(next(filter(None, match.groups()), "")), common
        elif match := _GRUB_SEARCH.match(line):
            search = _searched(match[1]) or search
            common = common if building else search
        elif match := _GRUB_TREE.match(line):
            (building or _Building("")).add("devicetree", match[1])
        elif (match := _GRUB_LINUX.match(line)) and building:
            building.add("linux", match[1])
            building.add("options", match[2])
        elif (match := _GRUB_INITRD.match(line)) and building:
            building.add("initrd", match[1])
        elif line.strip() == "}" and building and "linux" in building.values:
            initrds = tuple(building.first("initrd").split())
            options = building.first("options")
            entries.append(building.entry(initrds=initrds, options=options, search=search))
            building = None
    return entries


def _searched(words: str) -> str:
    """Return the argument of search, as UUID=x or LABEL=x."""
    plain = [word for word in words.split() if not word.startswith("-") and word != "root"]
    kind = "LABEL" if "--label" in words or "-l" in words.split() else "UUID"
    if "--file" in words or "-f" in words.split():
        return ""
    # Without --set=VARIABLE the variable may be the last argument.
    return f"{kind}={plain[0]}" if plain else ""


def grub_redirects(text: str) -> list[tuple[str, str]]:
    """Return (file system, path) of further grub.cfg files that one leads to."""
    search, found = "", []
    for line in text.splitlines():
        if match := _GRUB_SEARCH.match(line):
            search = _searched(match[1]) or search
        elif match := _GRUB_CONFIG.match(line):
            found.append((search, match[1]))
    return found
