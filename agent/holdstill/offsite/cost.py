"""What a run would send, and what that costs at the owner's prices, counted beforehand."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.model.layout import Record
from holdstill.offsite import pack_format

if TYPE_CHECKING:
    from collections.abc import Iterable
    from typing import Protocol

    from holdstill.offsite.offsite_settings import OffsiteSettings

    class OpenContent(Protocol):
        """Opens contents."""

        def __call__(self, digest: bytes) -> int:
            """Return a descriptor of a content, which the caller closes."""


SAMPLE, SAMPLE_OF_LARGE = 97, 7
"""One content of so many is packed for trial, from which the others of its kind are estimated."""
_LARGE = 256 << 10
"""Bytes of a content from which on it is a large one: these pack in another way than others."""
_PER_HEAD = 1
_GB = 1e9


class Cost(Record, frozen=True, kw_only=True):
    """The account.

    Attributes:
        captures, contents: that would be sent.
        content_bytes: of them, as they are at the keeper.
        sent_bytes: about so many would be sent, packed.
        objects: packs and heads, about.
        puts, gets: requests, about.
        once: price of the requests.
        month: price of keeping what is sent for a month.
    """

    captures: int
    contents: int
    content_bytes: int
    sent_bytes: int
    objects: int
    puts: int
    gets: int
    once: float
    month: float


def count(
    digests: Iterable[bytes], open_content: OpenContent, *, captures: int,
    settings: OffsiteSettings,
) -> Cost:  # fmt: skip
    """Count contents that are to be sent.

    Raises:
        VerificationError, OSError: one is not there, or cannot be read.
    """
    small, large = _Kind(SAMPLE), _Kind(SAMPLE_OF_LARGE)
    for digest in digests:
        handle = open_content(digest)
        try:
            size = os.fstat(handle).st_size
            (large if size >= _LARGE else small).add(handle, size, digest)
        finally:
            os.close(handle)
    contents, total = small.contents + large.contents, small.total + large.total
    sent = small.sent + large.sent
    packs = -(-sent // pack_format.TARGET)
    objects = packs + _PER_HEAD if contents else 0
    gets = objects + 2 if objects else 2
    prices = settings.prices
    return Cost(
        captures=captures, contents=contents, content_bytes=total, sent_bytes=sent,
        objects=objects, puts=objects, gets=gets,
        once=objects / 1000 * prices.thousand_puts + gets / 1000 * prices.thousand_gets,
        month=sent / _GB * prices.gb_month,
    )  # fmt: skip


class _Kind:
    """Contents of one kind, of which some are packed for trial."""

    def __init__(self, every: int) -> None:
        self._every = every
        self.contents = self.total = self._tried = self._packed = 0

    def add(self, handle: int, size: int, digest: bytes) -> None:
        """Count one."""
        if self.contents % self._every == 0:
            self._tried += size
            self._packed += _packed_size(handle, digest)
        self.contents, self.total = self.contents + 1, self.total + size

    @property
    def sent(self) -> int:
        """Bytes that all of them would be, about."""
        share = self._packed / self._tried if self._tried else 1.0
        return round(self.total * share) + self.contents * pack_format.ROW_SIZE


def _packed_size(handle: int, digest: bytes) -> int:
    data = os.pread(handle, pack_format.SEGMENT, 0)
    size = os.fstat(handle).st_size
    record = pack_format.seal_record(
        data, bytes(pack_format.KEY), 0, digest, segment=0, is_last=True
    )
    return round(len(record) * (size / len(data))) if data else len(record)
