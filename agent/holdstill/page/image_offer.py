"""What a page asks of a capture before an image of it is ordered, and the sizes that it offers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from holdstill.model.layout import Record
from holdstill.model.sizes import GIB, MIB, Bytes, align_down, human

if TYPE_CHECKING:
    from holdstill.page.job_records import Packing

CARDS = (4, 8, 16, 32, 64, 128, 256, 512)
"""Gigabytes that are printed on cards."""
_GIGABYTE = 10**9
_MARGIN = 0.95
"""Of what is printed on a card, what each card of that size has (common practice)."""


class ImageOffer(Record, frozen=True, kw_only=True):
    """What could be made of a capture.

    Attributes:
        disks: what each disk of several is, in words; none where there is one.
        captured: bytes of the captured card; smallest: of the smallest one that holds it all.
        refusal, hint: why no image can be made, and what to do; "" when one can.
        cautions: what somebody must know before: what is missing, or keeps it from booting.
    """

    disks: tuple[str, ...] = ()
    captured: int = 0
    smallest: int = 0
    refusal: str = ""
    hint: str = ""
    cautions: tuple[str, ...] = ()

    def room(self, size: int, packing: Packing) -> int:
        """Return the bytes that an image takes at most while it is made.

        The draft is sparse: it takes what a card that is just large enough does, and what more a
        larger file system notes of itself (ext4: 1/64 at most, mke2fs.conf(5), and its journal).
        """
        draft = min(size, self.smallest + size // 64 + GIB)
        return draft * (1 if packing.value == ".img" else 2) + 16 * MIB

    def sizes(self) -> tuple[SizeChoice, ...]:
        """Return the sizes that are offered, those of cards the smallest first."""
        fitting = [(number, of_card(number)) for number in CARDS]
        cards = tuple(
            SizeChoice(size=size, words=f"fits every card of {number} GB ({human(size)})")
            for number, size in fitting
            if size >= self.smallest
        )
        return (
            SizeChoice(size=self.captured, words=f"as the captured card ({human(self.captured)})"),
            *cards,
            SizeChoice(
                size=self.smallest,
                words=f"the smallest that fits ({human(self.smallest)}): it is full at once",
            ),
        )


class SizeChoice(Record, frozen=True, kw_only=True):
    """A size that is offered: bytes, and what it is."""

    size: int
    words: str


def of_card(gigabytes: int) -> Bytes:
    """Return the bytes that any card has that is sold as one of so many gigabytes."""
    return Bytes(align_down(int(gigabytes * _GIGABYTE * _MARGIN), 4 * MIB))


class ImageOffers(Protocol):
    """Finds out what could be made of captures; several threads ask at once."""

    def offer(self, board: str, capture: str, disk: str) -> ImageOffer | None:
        """Return what could be made; None while that is being found out.

        Raises:
            UsageError: these are no names.
        """

    def emulators(self) -> tuple[str, ...]:
        """Return which emulators are not installed here, each with its package."""

    def packings(self) -> tuple[Packing, ...]:
        """Return how this machine can pack an image."""

    def console(self, printed: bytes) -> str:
        """Return what a console printed as lines: no colours, no movements of the cursor."""
