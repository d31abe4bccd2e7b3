"""An image in a ZIP archive, for those whose system opens nothing else (PKWARE APPNOTE 6.3.10).

The archive has one member. The header before it is completed when its size is known, so that
programs that read it from the front need no data descriptor; beyond 2 GiB it has the fields of
ZIP64 (4.5.3).
"""

from __future__ import annotations

import os
import zipfile
from typing import TYPE_CHECKING

from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SUFFIX = ".zip"
LEVEL = 1
"""Of zlib: an image is mostly zeroes and files that are packed already."""
_ZIP64_FROM = (1 << 31) - (64 << 20)
"""Bytes of an image from which its member has the fields of ZIP64; what is packed may be larger
than the image by the overhead of zlib, five bytes for each 16 KiB (zlib manual)."""


def member_name(archive: Path) -> str:
    """Return what the image is called inside: pier-3.img in pier-3.img.zip, and in pier-3.zip."""
    return archive.stem if archive.stem.endswith(".img") else f"{archive.stem}.img"


def write(
    handle: int,
    image: Path,
    member: str,
    told: Callable[[int, int], None] = lambda _done, _size: None,
) -> None:
    """Write an archive with this image into an open file, which is seekable.

    told hears how many of the image's bytes are in it, of how many.

    Raises:
        OSError: there is no room, or the image cannot be read.
    """
    with (
        open(handle, "wb", closefd=False) as output,
        zipfile.ZipFile(output, "w", zipfile.ZIP_DEFLATED, compresslevel=LEVEL) as archive,
        files.opened(image) as source,
    ):
        size, done = os.fstat(source).st_size, 0
        is_long = size >= _ZIP64_FROM
        with archive.open(member, "w", force_zip64=is_long) as packed:
            while chunk := os.read(source, files.CHUNK):
                packed.write(chunk)
                done += len(chunk)
                told(done, size)
