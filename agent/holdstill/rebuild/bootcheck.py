"""Whether a card would boot: a finished one, or the one that a rebuild would make of a capture.

A finished card is read back: it is never judged by what we meant to write.

Every kind of boot that is recognised is followed link by link. What a card alone cannot show,
such as a boot loader in the board's own flash, is reported as unknown and does not count against
it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import SecurityError, VerificationError
from holdstill.model import paths
from holdstill.model.sizes import SECTOR
from holdstill.rebuild.boot import card as cards
from holdstill.rebuild.boot import efi, firmware, menus, scripts, system, system_folder
from holdstill.rebuild.boot.report import SYSTEM, BootReport, Chain, missing, unknown

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from holdstill.rebuild.boot.card import BootCard
    from holdstill.rebuild.boot.report import ChainLink, KernelFile
    from holdstill.system.byte_source import OpenFile

_HIDES = frozenset({"crypto_LUKS", "LVM2_member"})
"""What may have the system in it, although no file of it is to be seen."""
SYSTEMS_NAMED = 5
"""Of several systems in the folders of one partition."""


def check(source: OpenFile, *, model: str = "", sector_size: int = SECTOR) -> BootReport:
    """Follow every boot chain of a finished image or device.

    Args:
        source: all of it.
        model: the board's, as it reports it; it decides which of several firmwares counts.
        sector_size: bytes in which its partition table counts.

    Raises:
        LayoutError: there is no partition table that can be understood.
    """
    return judge(cards.read_card(source, sector_size=sector_size), model=model)


def judge(card: BootCard, *, model: str = "") -> BootReport:
    """Follow every boot chain of a card, or of what a rebuild would make of a capture."""
    generation = firmware.generation_of(model)
    found = _safely("firmware", lambda: _firmware_chains(card, generation))
    found += _safely("EFI", lambda: efi.efi_chains(card))
    found += _safely("extlinux.conf", lambda: menus.extlinux_chains(card, earlier=tuple(found)))
    found += _safely("boot script", lambda: scripts.script_chains(card, earlier=tuple(found)))
    found += _safely("SYSLINUX", lambda: menus.syslinux_chains(card))
    found += _safely("GRUB", lambda: efi.grub_chains(card))
    chains = tuple(found)
    kernels = [chain.kernel for chain in chains if chain.kernel]
    whole = [chain.kernel for chain in chains if chain.kernel and chain.is_whole]
    return BootReport(chains, _links(lambda: _system(card, whole, kernels)))


def _system(
    card: BootCard, whole: list[KernelFile], kernels: list[KernelFile]
) -> Iterable[ChainLink]:
    if card.root_file:
        return [unknown(SYSTEM, f"{card.root_file}, a file that is not looked into")]
    root = system.find_root(card, [kernel.root for kernel in (*whole, *kernels)])
    if root is None:
        hidden = [volume for volume in card.volumes if volume.kind in _HIDES]
        if hidden:
            what = f"{hidden[0].name} is {hidden[0].kind}, which is not looked into"
            return [unknown(SYSTEM, what)]
        return [missing("root", "no partition has a system")]
    folders = system_folder.systems(card, root)
    if len(folders) > 1:
        shown = ", ".join(map(paths.display, folders[:SYSTEMS_NAMED]))
        return [unknown(SYSTEM, f"{root.name} has several, and starts one of them: {shown}")]
    return system.links(card, system_folder.entered(root, *(folders or [b""])), kernels)


def _firmware_chains(card: BootCard, generation: int) -> Iterator[Chain]:
    for volume in card.volumes:
        chain = firmware.chain(card, volume, generation=generation)
        if chain:
            yield chain


def _safely(name: str, look: Callable[[], Iterable[Chain]]) -> list[Chain]:
    """Search for chains; a damaged file system breaks the chain that leads through it."""
    try:
        return list(look())
    except (VerificationError, SecurityError) as error:
        return [Chain(name, (missing("files", str(error)),))]


def _links(look: Callable[[], Iterable[ChainLink]]) -> tuple[ChainLink, ...]:
    try:
        return tuple(look())
    except (VerificationError, SecurityError) as error:
        return (missing("files", str(error)),)
