"""A partition that was copied as it is: put back byte for byte, zeroes left out."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.errors import TargetRefusedError
from holdstill.model.sizes import human
from holdstill.system import files, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from holdstill.model.layout import Raw
    from holdstill.model.pieces import Part


def write(
    target: Path,
    *,
    offset: int,
    size: int,
    parameters: Raw,
    pieces: Iterable[tuple[Part, bytes]],
) -> None:
    """Write pieces, which were checked, to a partition of size bytes; all else of it is zeroed.

    Raises:
        TargetRefusedError: the partition is too small; raw partitions cannot shrink.
    """
    if size < parameters.size:
        raise TargetRefusedError(
            f"a raw partition of {human(parameters.size)} does not fit {human(size)}",
            hint="raw partitions keep their size: use a larger card",
        )
    done = 0
    with files.opened(target, os.O_RDWR | os.O_NOFOLLOW) as handle:
        for part, data in pieces:
            sparse_copy.clear(handle, offset + done, part.offset - done)
            sparse_copy.put(handle, offset + part.offset, data)
            done = part.offset + part.length
        sparse_copy.clear(handle, offset + done, size - done)
