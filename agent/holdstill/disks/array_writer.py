"""Writes what makes a partition the one member of a mirror (md), around what the array holds."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.disks import md_superblock
from holdstill.errors import LayoutError
from holdstill.model.sizes import KIB, MIB, human
from holdstill.system import files, sparse_copy

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.layout import ArrayMember

_CLEARED_BEFORE, _CLEARED_BEHIND = MIB, 128 * KIB
"""Bytes at both ends in which something that was there before would be recognised."""


def write(path: Path, *, offset: int, size: int, content: int, parameters: ArrayMember) -> None:
    """Write a member's superblock, and zeroes where an older one could be; not the content.

    Args:
        path: of the card or image.
        offset: bytes from its start at which the partition begins.
        size: bytes that the partition has.
        content: bytes that the array has.
        parameters: of the array.

    Raises:
        LayoutError: there is no room for it.
    """
    at, end = md_superblock.place(parameters.version, size), parameters.first_byte + content
    is_behind = at >= end
    if end > size or not (is_behind or at + md_superblock.LENGTH <= parameters.first_byte):
        raise LayoutError(
            f"an array of {human(content)} leaves its member of {human(size)} no room to say so",
            hint="files can be taken out with `holdstill get`",
        )
    own = md_superblock.made(parameters, at=at, size=size, content=content)
    before = bytearray(min(parameters.first_byte, _CLEARED_BEFORE))
    behind_at = max(end, size - _CLEARED_BEHIND)
    behind = bytearray(size - behind_at)
    if is_behind:
        behind[at - behind_at : at - behind_at + len(own)] = own
    else:
        before[at : at + len(own)] = own
    with files.opened(path, os.O_RDWR | os.O_NOFOLLOW) as handle:
        sparse_copy.write_all_at(handle, offset, bytes(before))
        sparse_copy.write_all_at(handle, offset + behind_at, bytes(behind))
