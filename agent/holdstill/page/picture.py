"""Which pictures a page shows: raster ones, by their first bytes, of a size that a browser bears.

Others are not shown: an SVG is a document with links and scripts, and a name says nothing. A small
file may be a picture of gigabytes once it is unpacked: what it says of its size is read first.
Frames are not counted: of an animation a browser unpacks one after the other.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

SIZE_MOST = (16 << 20) - 1
"""Bytes of a file; up to here all of it is checked before the first byte is given."""
PIXELS_MOST = 50_000_000
"""200 MB in a browser, at 4 bytes each: a camera's pictures are smaller."""
SIDE_MOST = 16_384
_WITHOUT_SIZE = frozenset({0xC4, 0xC8, 0xCC})
"""JPEG markers among those of frames that are none: tables, and one that is reserved."""
_WITHOUT_LENGTH = frozenset({0x01, *range(0xD0, 0xD8)})


class Picture(NamedTuple):
    """What a picture says of itself. type: as Content-Type has it; sides in pixels."""

    type: str
    width: int
    height: int

    @property
    def is_bearable(self) -> bool:
        """Whether a browser is asked to show it."""
        sides = self.width, self.height
        return min(sides) > 0 and max(sides) <= SIDE_MOST and sides[0] * sides[1] <= PIXELS_MOST


def read(data: bytes) -> Picture | None:
    """Read the beginning of a file; None if it is no picture that is shown, or is cut short."""
    try:
        for reader in (_png, _gif, _jpeg, _webp):
            found = reader(data)
            if found is not None:
                return found
    except (struct.error, IndexError):
        pass
    return None


def _png(data: bytes) -> Picture | None:
    """PNG Specification, 3rd edition (W3C), 5.2 and 11.2.1."""
    if not data.startswith(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR"):
        return None
    return Picture("image/png", *struct.unpack_from(">II", data, 16))


def _gif(data: bytes) -> Picture | None:
    """GIF89a Specification, 17 and 18."""
    if not data.startswith((b"GIF87a", b"GIF89a")):
        return None
    return Picture("image/gif", *struct.unpack_from("<HH", data, 6))


def _jpeg(data: bytes) -> Picture | None:
    """ITU-T T.81, B.1.1 and B.2.2: markers and segments, up to the first frame."""
    if not data.startswith(b"\xff\xd8\xff"):
        return None
    at = 2
    while data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
        elif marker in _WITHOUT_LENGTH:
            at += 2
        elif 0xC0 <= marker <= 0xCF and marker not in _WITHOUT_SIZE:
            height, width = struct.unpack_from(">HH", data, at + 5)
            return Picture("image/jpeg", width, height)
        else:
            (length,) = struct.unpack_from(">H", data, at + 2)
            at += 2 + max(length, 2)
    return None


def _webp(data: bytes) -> Picture | None:
    """RFC 9649, 2.5 to 2.7; VP8: RFC 6386, 9.1."""
    if data[:4] != b"RIFF" or data[8:12] != b"WEBP":
        return None
    sides: tuple[int, int] | None = None
    match data[12:16]:
        case b"VP8X":
            (wide, _, high) = int.from_bytes(data[24:27], "little"), 0, data[27:30]
            sides = wide + 1, int.from_bytes(high, "little") + 1 if len(high) == 3 else 0
        case b"VP8L" if data[20] == 0x2F:
            (bits,) = struct.unpack_from("<I", data, 21)
            sides = (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
        case b"VP8 " if data[23:26] == b"\x9d\x01\x2a":
            wide, tall = struct.unpack_from("<HH", data, 26)
            sides = wide & 0x3FFF, tall & 0x3FFF
        case _:
            pass
    return None if sides is None else Picture("image/webp", *sides)
