"""U-Boot's scripts and environments with other ids in them."""

from __future__ import annotations

import struct
import zlib

from holdstill.rebuild.id_map import IdMap, RewrittenText

_IMAGE = struct.Struct(">IIIIIIIBBBB32s")


_IMAGE_MAGIC = 0x27051956


_SCRIPT = 6
"""Type of a legacy image that holds a script (U-Boot include/image.h, IH_TYPE_SCRIPT)."""


def script_text(content: bytes) -> bytes | None:
    """Return the text in a U-Boot script image; None when it is none, or damaged.

    A legacy image: 64 bytes of header, then a list of lengths that ends with 0, then the text
    (U-Boot doc/usage/cmd/source.rst; include/image.h, struct legacy_img_hdr).
    """
    if len(content) < _IMAGE.size + 8:
        return None
    magic, header_crc, _, size, _, _, data_crc, _, _, kind, _, _ = _IMAGE.unpack_from(content)
    header, data = content[: _IMAGE.size], content[_IMAGE.size :][:size]
    bare = header[:4] + bytes(4) + header[8:]
    sound = zlib.crc32(bare) == header_crc and zlib.crc32(data) == data_crc
    if magic != _IMAGE_MAGIC or kind != _SCRIPT or not sound:
        return None
    length, end = struct.unpack_from(">II", data)
    return data[8 : 8 + length] if end == 0 and length <= len(data) - 8 else None


def rewrite_script(content: bytes, ids: IdMap) -> RewrittenText | None:
    """Rewrite a U-Boot script, with its header; None if it is none."""
    text = script_text(content)
    if text is None:
        # A script that is not wrapped, for loaders that take plain text; or a FIT, or rubbish.
        is_text = b"\0" not in content
        return ids.replace(content) if is_text else None
    found = ids.replace(text)
    return RewrittenText(wrapped_script(content[: _IMAGE.size], found.content), found.replaced)


def wrapped_script(header: bytes, text: bytes) -> bytes:
    """Return a U-Boot script image with this text; name and date of the header stay."""
    data = struct.pack(">II", len(text), 0) + text
    fields = list(_IMAGE.unpack(header))
    fields[1], fields[3], fields[6] = 0, len(data), zlib.crc32(data)
    fields[1] = zlib.crc32(_IMAGE.pack(*fields))
    return _IMAGE.pack(*fields) + data


def _environment_start(content: bytes) -> int | None:
    """A CRC-32 of the rest comes first, then a flag byte in one of two copies (env/common.c)."""
    if len(content) < 8:
        return None
    (crc,) = struct.unpack_from("<I", content)
    return next((start for start in (4, 5) if zlib.crc32(content[start:]) == crc), None)


def rewrite_environment(content: bytes, ids: IdMap) -> RewrittenText | None:
    """Rewrite a U-Boot environment, with its checksum; None if it is none."""
    start = _environment_start(content)
    if start is None:
        return None
    found = ids.replace(content[start:])
    # Variables end with two zero bytes; behind them is room, so the size can stay.
    body = found.content[: len(content) - start].ljust(len(content) - start, b"\0")
    if b"\0\0" not in body:
        return None
    head = struct.pack("<I", zlib.crc32(body)) + content[4:start]
    return RewrittenText(head + body, found.replaced)
