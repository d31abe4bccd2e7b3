"""Swap areas: Linux include/linux/swap.h, union swap_header."""

from __future__ import annotations

import struct
import uuid
from typing import TYPE_CHECKING

from holdstill.errors import LayoutError
from holdstill.model.layout import Swap

if TYPE_CHECKING:
    from holdstill.system.byte_source import ByteSource

PAGE_SIZES = (4096, 8192, 16384, 32768, 65536)
"""The signature ends the first page, and boards differ in what a page is."""
_SIGNATURE = b"SWAPSPACE2"
_HEADER = struct.Struct("<III16s16s")


def read(source: ByteSource) -> Swap:
    """Return the identity of a swap area.

    Raises:
        LayoutError: there is none.
    """
    page_size = _page_size(source)
    if page_size is None:
        raise LayoutError("no swap area")
    version, _, _, raw_uuid, label = _HEADER.unpack(source.read(1024, _HEADER.size))
    if version != 1:
        raise LayoutError(f"a swap area of version {version}, or of another byte order")
    text = label.partition(b"\0")[0].decode(errors="backslashreplace")
    return Swap(uuid=str(uuid.UUID(bytes=raw_uuid)), label=text, page_size=page_size)


def is_swap(source: ByteSource) -> bool:
    """Whether there is a swap area, of whatever version."""
    return _page_size(source) is not None


def _page_size(source: ByteSource) -> int | None:
    for page_size in PAGE_SIZES:
        place = page_size - len(_SIGNATURE)
        if source.size < page_size:
            return None
        if source.read(place, len(_SIGNATURE)) == _SIGNATURE:
            return page_size
    return None
