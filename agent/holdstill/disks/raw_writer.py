"""A partition that was copied as it is: put back byte for byte, zeroes left out."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.errors import TargetRefusedError, VerificationError
from holdstill.model.sizes import human
from holdstill.system import files, sparse_copy

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.layout import Raw


def write(target: Path, *, offset: int, size: int, parameters: Raw, content: int) -> None:
    """Copy an open raw-<n>.bin to a partition of size bytes; the rest of the partition is zeroed.

    Raises:
        TargetRefusedError: the partition is too small; raw partitions cannot shrink.
        VerificationError: the copied bytes are not those of the manifest.
    """
    if size < parameters.size:
        raise TargetRefusedError(
            f"a raw partition of {human(parameters.size)} does not fit {human(size)}",
            hint="raw partitions keep their size: use a larger card",
        )
    with files.opened(target, os.O_RDWR | os.O_NOFOLLOW) as handle:
        digest = _copied(content, handle, offset, parameters)
        sparse_copy.clear(handle, offset + parameters.size, size - parameters.size)
    if digest.hex() != parameters.digest:
        raise VerificationError(
            f"the raw partition's bytes have the digest {digest.hex()}, not {parameters.digest}",
            hint="the store was damaged or changed: run `holdstill verify`",
        )


def _copied(content: int, handle: int, offset: int, parameters: Raw) -> bytes:
    try:
        return sparse_copy.copy(content, handle, size=parameters.size, target_at=offset)
    except EOFError as error:
        raise VerificationError(
            f"a raw partition of {parameters.size} bytes is cut short in the store: {error}",
            hint="run `holdstill verify`",
        ) from error
