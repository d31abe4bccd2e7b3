"""Boot loaders outside every partition, recognised where boot ROMs read them.

Places: U-Boot doc/board: allwinner/sunxi, rockchip/rockchip, amlogic/odroid-c4, nxp/imx8mm_evk,
nxp/imx8mp_evk, ti/am335x_evm. The marks of the formats are from memory, but for IVT (NXP i.MX 8M
reference manual) and the two jump instructions of a PC's boot code.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.model.layout import TableLabel
from holdstill.model.sizes import KIB

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.rebuild.boot.card import BootCard

BOOT_CODE = 440


@dataclass(frozen=True)
class LoaderLocation:
    """Where a boot ROM reads, and what it expects there.

    Attributes:
        at: bytes from the start of the card.
        mark: what a loader has there; b"" when any bytes count.
        mark_at: bytes from the loader's start to that.
    """

    family: str
    at: int
    mark: bytes = b""
    mark_at: int = 0


PLACES = (
    LoaderLocation("Allwinner", 8 * KIB, b"eGON.BT0", 4),
    LoaderLocation("Allwinner", 128 * KIB, b"eGON.BT0", 4),
    LoaderLocation("Rockchip", 32 * KIB, b"RKNS"),
    LoaderLocation("Rockchip", 32 * KIB, bytes.fromhex("3b8cdcfc")),
    LoaderLocation("NXP i.MX 8M Plus", 32 * KIB, b"\xd1\x00\x20"),
    LoaderLocation("NXP i.MX 8M Mini", 33 * KIB, b"\xd1\x00\x20"),
    LoaderLocation("Amlogic", 512, b"@AML", 16),
    LoaderLocation("TI AM335x", 128 * KIB, b"CHSETTINGS", 20),
    LoaderLocation("TI AM335x", 256 * KIB, b"CHSETTINGS", 20),
)


def in_gap(card: BootCard) -> list[str]:
    """Return what loaders are outside the partitions, with their places."""
    starts = [part.start for part in card.disk.partitions]
    first = min(starts, default=0) * card.disk.sector_size
    return [
        f"{place.family} loader at {place.at // KIB} KiB" if place.at >= KIB else
        f"{place.family} loader from sector 1"
        for place in PLACES
        if place.at < first and _is_there(card, place)
    ]  # fmt: skip


def _is_there(card: BootCard, place: LoaderLocation) -> bool:
    at = place.at + place.mark_at
    if at + len(place.mark) > card.gap.size:
        return False
    return card.gap.read(at, len(place.mark)) == place.mark


def boot_code(card: BootCard) -> bytes:
    """Return the boot code of the first sector; nothing when it is all zeroes."""
    code = card.gap.read(0, BOOT_CODE)
    return code if code.strip(b"\0") else b""


def pc_loaders(card: BootCard) -> Iterator[str]:
    """Yield what a PC's firmware of the old kind would start from the first sector."""
    code = boot_code(card)
    # A jump, or the clearing of interrupts, is what such code begins with.
    if card.disk.label is not TableLabel.NONE and code[:1] in {b"\xeb", b"\xfa", b"\x33", b"\x0e"}:
        yield "GRUB in the first sector" if b"GRUB" in code else "boot code in the first sector"
