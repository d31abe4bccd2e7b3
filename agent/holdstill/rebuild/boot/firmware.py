"""Boards whose firmware reads plain files from a FAT, as those of the Raspberry Pi type do.

Names and rules: the board maker's documentation, "Boot folder contents", "config.txt", "Kernel
command line". The firmware ignores the case of letters, as FAT does.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.rebuild.boot import commandline, settings
from holdstill.rebuild.boot.commandline import Initramfs
from holdstill.rebuild.boot.report import Chain, KernelFile, found, lacking, missing, unknown

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.rebuild.boot.card import BootCard, BootVolume
    from holdstill.rebuild.boot.report import ChainLink
    from holdstill.rebuild.boot.settings import Setting

NAME = "firmware on a FAT"
KERNELS = (
    ("kernel_2712.img", "kernel8.img", "kernel7l.img", "kernel7.img", "kernel.img"),
    ("kernel.img",),
    ("kernel7.img", "kernel8.img"),
    ("kernel7.img", "kernel8.img"),
    ("kernel8.img", "kernel7l.img"),
    ("kernel_2712.img", "kernel8.img"),
)
"""By generation of the board; the first ones for a board that is not known.

Up to the third generation arm_64bit is 0 unless config.txt sets it (config.txt, "kernel",
"arm_64bit").
"""
KERNELS_64 = ("kernel8.img", "kernel_2712.img")
KERNELS_16_KIB = ("kernel_2712.img",)
"""Those with pages of 16 KiB (config.txt, "kernel"); all others have 4 KiB."""
INITRAMFS = {
    "kernel.img": "initramfs",
    "kernel7.img": "initramfs7",
    "kernel7l.img": "initramfs7l",
    "kernel8.img": "initramfs8",
    "kernel_2712.img": "initramfs_2712",
}
"""What auto_initramfs=1 loads with each kernel."""
SECOND_STAGES = re.compile(r"u-?boot|tow-boot|edk2|efi", re.IGNORECASE)
"""Kernels that are no Linux but a boot loader."""
LAST_GENERATION = 5
_MODEL = re.compile(r"Raspberry Pi (Zero |Compute Module |)(\d)?")
_START = re.compile(r"start(4?(?:_?(?:cd|db|x)|4?(?:cd|db|x))?)\.elf", re.IGNORECASE)


def generation_of(model: str) -> int:
    """Return the generation of a board by its model's name; 0 when it is not of this kind."""
    match = _MODEL.match(model)
    if match is None:
        return 0
    if match[1] == "Zero ":
        return 3 if match[2] else 1
    return min(int(match[2] or 1), LAST_GENERATION)


def chain(card: BootCard, volume: BootVolume, *, generation: int = 0) -> Chain | None:
    """Return the boot chain of a partition with firmware files, None when it has none.

    generation is the board's, 0 when it is not known.
    """
    names = {name.decode(errors="replace").lower() for name in volume.names(b"")}
    starts = any(_START.fullmatch(name) for name in names)
    is_firmware = "bootcode.bin" in names or starts or "config.txt" in names
    if volume.kind != "vfat" or not is_firmware:
        return None
    folder = _FirmwareFolder(card, volume, names, _settings(volume), generation)
    return folder.chain()


def _settings(volume: BootVolume) -> list[Setting]:
    """Read config.txt with what it includes, one level deep as the firmware does."""
    found_settings = []
    for setting in settings.parse_config(volume.text(b"config.txt") or ""):
        found_settings.append(setting)
        if setting.key == "include":
            included = volume.text(setting.value.encode()) or ""
            found_settings += settings.parse_config(included)
    return found_settings


@dataclass(frozen=True)
class _FirmwareFolder:
    """The root of a FAT with firmware files."""

    card: BootCard
    volume: BootVolume
    names: set[str]
    settings: Sequence[Setting]
    generation: int

    def chain(self) -> Chain:
        links = [self._firmware(), *self._fixups(), self._config(), *self._included()]
        name, kernel = self._kernel()
        links.append(kernel)
        links += [*self._conditional("kernel"), *self._device_tree(), *self._overlays()]
        if SECOND_STAGES.search(name):
            links.append(unknown("second stage", f"{name} is a boot loader: see the others"))
            return Chain(NAME, tuple(links))
        has_initramfs, initramfs_links = self._initramfs(name)
        links += [*initramfs_links, *self._command_line(has_initramfs)]
        line = self.volume.text(self._cmdline_path()) or ""
        path = self._prefixed(name)
        root, init = commandline.value(line, "root"), commandline.value(line, "init")
        links += self._page_size(name, root)
        started = KernelFile(self.volume.number, path, root, init or "")
        return Chain(NAME, tuple(links), started)

    # Settings that hold for every board; the last one counts.

    def _value(self, key: str) -> str | None:
        values = [s.value for s in self.settings if s.section == "all" and s.key == key]
        return values[-1] if values else None

    def _prefixed(self, name: str) -> bytes:
        """Return the path of a file that os_prefix applies to."""
        return ((self._value("os_prefix") or "") + name).encode()

    def _has(self, path: bytes) -> bool:
        return self.volume.file(path) is not None

    # Links.

    def _firmware(self) -> ChainLink:
        """Generations 1 to 3 load bootcode.bin and start.elf, the 4th start4.elf, the 5th none."""
        served = [number for number in (1, 2, 3, 4, 5) if self._serves(number)]
        if self.generation and self.generation not in served:
            return missing("firmware", f"nothing that generation {self.generation} would start")
        if served == [5]:
            return unknown("firmware", "only boards that have it in flash boot from this card")
        shown = ", ".join(str(number) for number in served)
        return found("firmware", f"for generations {shown}")

    def _serves(self, generation: int) -> bool:
        if generation == LAST_GENERATION:
            return True
        if generation == LAST_GENERATION - 1:
            return self._any_start("4")
        return self._has(b"bootcode.bin") and self._any_start("")

    def _any_start(self, generation: str) -> bool:
        return any(
            self._has(name.encode())
            for name in self.names
            if _START.fullmatch(name) and name.startswith("start4") == (generation == "4")
        )

    def _fixups(self) -> Iterator[ChainLink]:
        """Each start*.elf has a fixup*.dat; without it the board uses a part of its memory."""
        for name in sorted(self.names):
            if _START.fullmatch(name):
                other = name.replace("start", "fixup", 1).removesuffix(".elf") + ".dat"
                if not self._has(other.encode()):
                    yield lacking(other, f"belongs to {name}")

    def _config(self) -> ChainLink:
        if self._has(b"config.txt"):
            return found("config.txt")
        return lacking("config.txt", "the firmware takes its defaults")

    def _included(self) -> Iterator[ChainLink]:
        for setting in self.settings:
            if setting.key == "include" and not self._has(setting.value.encode()):
                yield lacking(setting.value, "config.txt includes it")

    def _kernel(self) -> tuple[str, ChainLink]:
        """Return the kernel's name, and whether it is there."""
        named = self._value("kernel")
        if named:
            there = self._has(self._prefixed(named))
            return named, found("kernel", named) if there else missing("kernel", named)
        usual = self._usual_kernels()
        there_are = [name for name in usual if self._has(self._prefixed(name))]
        if there_are:
            return there_are[0], found("kernel", ", ".join(there_are))
        return usual[0], missing("kernel", f"none of {', '.join(usual)}")

    def _usual_kernels(self) -> list[str]:
        """Return the names that the firmware tries, the first one first."""
        usual = list(KERNELS[self.generation])
        width = self._value("arm_64bit")
        if width in {"0", "1"}:
            usual = [name for name in usual if (name in KERNELS_64) == (width == "1")] or usual
        return usual

    def _conditional(self, key: str) -> Iterator[ChainLink]:
        """What only some boards load is reported, but does not decide."""
        for setting in self.settings:
            if setting.section != "all" and setting.key == key:
                name = f"{key} for [{setting.section}]"
                there = self._has(self._prefixed(setting.value))
                yield found(name, setting.value) if there else lacking(name, setting.value)

    def _device_tree(self) -> Iterator[ChainLink]:
        named = self._value("device_tree")
        if named:
            there = self._has(self._prefixed(named))
            yield found("device tree", named) if there else missing("device tree", named)
        elif named is None:
            prefix = self._value("os_prefix") or ""
            folder, _, _ = prefix.rpartition("/")
            listed = self.volume.names(folder.encode())
            trees = [name for name in listed if name.lower().endswith(b".dtb")]
            if trees:
                yield found("device tree", f"{len(trees)} of them")
            else:
                yield missing("device tree", "no *.dtb beside the kernel")
        yield from self._conditional("device_tree")

    def _overlays(self) -> Iterator[ChainLink]:
        if self._has(b"overlays/overlay_map.dtb"):
            return  # it gives overlays other names, for each board its own
        prefix = self._value("overlay_prefix")
        prefix = "overlays/" if prefix is None else prefix
        for setting in self.settings:
            name = setting.value.partition(",")[0].partition(":")[0]
            if setting.key in {"dtoverlay", "device_tree_overlay"} and name:
                path = f"{prefix}{name}.dtbo"
                if not self._has(self._prefixed(path)) and not self._has(path.encode()):
                    yield lacking("overlay", path)

    def _initramfs(self, kernel: str) -> tuple[int, list[ChainLink]]:
        """Return whether one is loaded, and whether it is there."""
        named = self._value("initramfs")
        if named:
            words = re.split(r"[,\s]+", named)
            files = [w for w in words if w != "followkernel" and not re.fullmatch(r"0x.*|\d+", w)]
            gone = [name for name in files if not self._has(self._prefixed(name))]
            if gone:
                return Initramfs.ABSENT, [missing("initramfs", ", ".join(gone))]
            return Initramfs.PRESENT, [found("initramfs", ", ".join(files))]
        if self._value("auto_initramfs") == "1" and kernel in INITRAMFS:
            name = INITRAMFS[kernel]
            if self._has(self._prefixed(name)):
                return Initramfs.PRESENT, [found("initramfs", name)]
            return Initramfs.ABSENT, [lacking("initramfs", name)]
        return Initramfs.ABSENT, []

    def _page_size(self, kernel: str, root: str | None) -> Iterator[ChainLink]:
        """An f2fs has blocks of one page (Linux include/linux/f2fs_fs.h, F2FS_BLKSIZE)."""
        kinds = {volume.kind for volume in self.card.named(root or "")}
        if kernel in KERNELS_16_KIB and "f2fs" in kinds:
            words = "has pages of 16 KiB, and mounts an f2fs only if its blocks are as large"
            yield unknown("page size", f"{kernel} {words}")

    def _cmdline_path(self) -> bytes:
        named = self._value("cmdline")
        return self._prefixed(named or "cmdline.txt")

    def _command_line(self, initramfs: int) -> Iterator[ChainLink]:
        path = self._cmdline_path()
        line = self.volume.text(path)
        if line is None:
            yield missing("command line", path.decode(errors="replace"))
            return
        if "\n" in line.strip():
            yield missing("command line", "cmdline.txt has more than one line: only one is read")
        else:
            yield found("command line")
        yield from commandline.root_links(self.card, line.strip(), initramfs=initramfs)
