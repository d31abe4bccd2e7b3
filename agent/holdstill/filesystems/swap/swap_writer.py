"""A swap area: its header, and nothing else.

Layout: union swap_header of the kernel's include/linux/swap.h: 1024 bytes that belong to boot
loaders, then version, last page, count of bad pages, UUID, label; the magic ends the first page.
"""

from __future__ import annotations

import os
import struct
import uuid
from typing import TYPE_CHECKING

from holdstill.errors import LayoutError
from holdstill.model.layout import Swap
from holdstill.system import files, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from holdstill.model.manifest import SwapFile


MAGIC = b"SWAPSPACE2"
LABEL_BYTES = 16
LEAST_PAGES = 10
"""mkswap refuses less."""
_INFO = struct.Struct("<III16s16s")
_INFO_AT = 1024


def make(target: Path, *, offset: int, size: int, parameters: Swap) -> None:
    """Make a swap area of size bytes at an offset of a file or device.

    Raises:
        LayoutError: no area of this size or with these parameters is possible.
    """
    page = header(parameters, size=size)
    with files.opened(target, os.O_RDWR | os.O_NOFOLLOW) as handle:
        sparse_copy.write_all_at(handle, offset, page)


def header(parameters: Swap, *, size: int) -> bytes:
    """Return the first page of a swap area of size bytes.

    Raises:
        LayoutError: no area of this size or with these parameters is possible.
    """
    page_size, label = parameters.page_size, parameters.label.encode()
    pages = size // page_size if page_size in {1 << bit for bit in range(12, 17)} else 0
    if pages < LEAST_PAGES or len(label) > LABEL_BYTES:
        raise LayoutError(
            f"no swap area can have {size} bytes, pages of {page_size} and the label {label!r}"
        )
    last_page = min(pages - 1, 0xFFFFFFFF)
    info = _INFO.pack(1, last_page, 0, _uuid_bytes(parameters.uuid), label)
    return (bytes(_INFO_AT) + info).ljust(page_size - len(MAGIC), b"\0") + MAGIC


def _uuid_bytes(text: str) -> bytes:
    try:
        return uuid.UUID(text).bytes if text else bytes(16)
    except ValueError as error:
        raise LayoutError(f"{text!r} is not the UUID of a swap area") from error


def file_headers(swap_files: tuple[SwapFile, ...]) -> Mapping[bytes, bytes]:
    """Return the first bytes of swap files, by path; all else in them is a hole."""
    return {
        file.path.encode(): header(
            Swap(uuid=file.uuid, label=file.label, page_size=file.page_size), size=file.size
        )
        for file in swap_files
        if file.page_size
    }
