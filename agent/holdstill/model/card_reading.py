"""What a board's card reported on one day."""

from __future__ import annotations

from holdstill.model.layout import Record


class CardReading(Record, frozen=True, kw_only=True):
    """What one card reported on one day.

    Attributes:
        at: when (RFC 3339), by a clock that was to be trusted.
        card: which card, by its CID register; "" for a device that has none.
        rate: bytes a second; 0 when they could not be measured.
        kernel_errors, ext4_errors: complaints since boot, and noted by all file systems.
        life: used tenths of an eMMC's life, 0 for not reported.
    """

    at: str
    card: str = ""
    rate: int = 0
    kernel_errors: int = 0
    ext4_errors: int = 0
    life: int = 0
