"""Which programs a command will start, so that all that are missing are told before it begins."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.filesystems.kernel_filled import kernel_writer
from holdstill.model.layout import Ext4, Fat, Other
from holdstill.model.store_address import HostAddress
from holdstill.rebuild import compressed_image
from holdstill.rehearse import emulation

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.layout import FileSystem
    from holdstill.model.manifest import Manifest
    from holdstill.model.store_address import StoreAddress
    from holdstill.system.process import Runner


def of_capture(keeper: StoreAddress) -> tuple[str, ...]:
    """Return what a capture starts: it signs, and sends."""
    return ("rsync", "ssh-keygen", *(("ssh",) if isinstance(keeper, HostAddress) else ()))


def of_reading(store: StoreAddress) -> tuple[str, ...]:
    """Return what reading captures starts: signatures are checked, contents fetched."""
    return ("ssh-keygen", *(("rsync", "ssh") if isinstance(store, HostAddress) else ()))


def of_rebuild(manifest: Manifest, target: Path, machine: Runner) -> tuple[str, ...]:
    """Return what writing a capture to a card or an image starts."""
    packer = compressed_image.PACKERS.get(target.suffix, ())[:1]
    own = (p for part in manifest.parts for p in _of_file_system(part.file_system, machine))
    return tuple(dict.fromkeys(("sfdisk", "fdisk", *own, *packer)))


def of_emulator(manifest: Manifest) -> tuple[str, ...]:
    """Return the emulator of a board's architecture, as uname(2) calls it; nothing for others."""
    found = {"x86_64": emulation.X86, "aarch64": emulation.ARM64}.get(manifest.board.architecture)
    return (found, "mcopy") if found else ()


def _of_file_system(kind: FileSystem, machine: Runner) -> Iterator[str]:
    match kind:
        case Ext4():
            yield from ("mke2fs", "tune2fs", "debugfs", "e2fsck")
        case Fat():
            yield "mkfs.vfat"
        case Other(type=name) if name in kernel_writer.KINDS:
            tools = kernel_writer.KINDS[name]
            yield from (tools.mkfs[0], tools.check[0])
            yield from (
                ("sload.f2fs",) if kernel_writer.must_load(kind, machine) else ("losetup", "mount")
            )
        case _:  # copied as it is, or made without other programs
            return
