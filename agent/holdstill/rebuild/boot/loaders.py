"""Boot loaders outside every partition, recognised where boot ROMs read them.

Places: U-Boot doc/board: allwinner/sunxi, rockchip/rockchip, amlogic/odroid-c4, nxp/imx8mm_evk,
nxp/imx8mn_evk, nxp/imx8mp_evk, nxp/imx8mq_evk, nxp/imx8qxp_mek, ti/am335x_evm; for i.MX 6
include/imximage.h, FLASH_OFFSET. Marks: U-Boot include/sunxi_image.h, tools/rkcommon.c (RC4 of
0x0FF0AA55 for older chips), tools/amlimage.c, tools/omapimage.h, include/imximage.h (IVT, NXP i.MX
8M reference manual), include/imx8image.h (container). A PC's boot code begins with one of a few
instructions.
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
SECTOR = 512
"""Of every card; a boot ROM knows no other."""


@dataclass(frozen=True)
class LoaderLocation:
    """Where a boot ROM reads, and what it expects there.

    Attributes:
        at: bytes from the start of the card.
        mark: what a loader has there; b"" when any bytes count.
        mark_at: bytes from the loader's start to that.
        lead: what it must begin with, too: the version before a mark of one byte.
    """

    family: str
    at: int
    mark: bytes = b""
    mark_at: int = 0
    lead: bytes = b""


PLACES = (
    LoaderLocation("Allwinner", 8 * KIB, b"eGON.BT0", 4),
    LoaderLocation("Allwinner", 128 * KIB, b"eGON.BT0", 4),
    LoaderLocation("Rockchip", 32 * KIB, b"RKNS"),
    LoaderLocation("Rockchip", 32 * KIB, bytes.fromhex("3b8cdcfc")),
    LoaderLocation("NXP i.MX 6", 1 * KIB, b"\xd1\x00\x20"),
    LoaderLocation("NXP i.MX 8M", 32 * KIB, b"\xd1\x00\x20"),
    LoaderLocation("NXP i.MX 8M", 33 * KIB, b"\xd1\x00\x20"),
    LoaderLocation("NXP i.MX 8ULP, 8X or 9", 32 * KIB, b"\x87", 3, lead=b"\0"),
    LoaderLocation("Amlogic", SECTOR, b"@AML", 16),
    *(LoaderLocation("TI AM335x", at * KIB, b"CHSETTINGS", 20) for at in (0, 128, 256, 384)),
)


def in_gap(card: BootCard) -> list[str]:
    """Return what loaders are outside the partitions, with their places."""
    starts = [part.start for part in card.disk.partitions]
    first = min(starts, default=0) * card.disk.sector_size
    return [
        f"{place.family} loader from sector 1" if place.at == SECTOR else
        f"{place.family} loader at {place.at // KIB} KiB"
        for place in PLACES
        if place.at < first and _is_there(card, place)
    ]  # fmt: skip


def _is_there(card: BootCard, place: LoaderLocation) -> bool:
    end = place.mark_at + len(place.mark)
    if place.at + end > card.gap.size:
        return False
    head = card.gap.read(place.at, end)
    return head.startswith(place.lead) and head[place.mark_at :] == place.mark


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
