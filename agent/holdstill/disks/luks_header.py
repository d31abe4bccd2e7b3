"""What the header of an encrypted container says, but for its keys, which are not looked at.

Sources: LUKS On-Disk Format Specification 1.2.3, LUKS2 On-Disk Format Specification 1.1.1.
"""

from __future__ import annotations

import json
import struct
from typing import TYPE_CHECKING

from holdstill.errors import LayoutError
from holdstill.model.layout import TOKEN, Luks
from holdstill.model.sizes import MIB, SECTOR

if TYPE_CHECKING:
    from holdstill.system.byte_source import ByteSource

_MAGIC = b"LUKS\xba\xbe"
_FIRST = struct.Struct(">6sH32s32s32sII20s32sI40s")
_SECOND = struct.Struct(">6sHQQ48s32s64s40s48sQ")
_SLOT = struct.Struct(">II")
"""What a key slot begins with: its state, and the rounds of its PBKDF2."""
_UUID = slice(168, 208)
_ACTIVE = 0x00AC71F3
_JSON_START = 4096
_ODD = (
    ValueError, KeyError, TypeError, AttributeError, StopIteration, OverflowError, RecursionError,
)  # fmt: skip
"""What odd words of a header raise when they are understood; the last one by their depth."""
_HEADER_MAX = 4 * MIB


def uuid_in(first: bytes) -> str:
    """Return the UUID in the first sector of a container, of version 1 and 2 alike."""
    return _text(first[_UUID])


def read(source: ByteSource) -> Luks:
    """Read the header of a container.

    Raises:
        LayoutError: it is none, is damaged, or is of a kind that cannot be made again.
    """
    head = source.read(0, min(source.size, _JSON_START))
    if head[:6] != _MAGIC or len(head) < _JSON_START:
        raise LayoutError("no LUKS header")
    version = int.from_bytes(head[6:8], "big")
    if version == 1:
        return _version_1(head)
    if version == 2:
        return _version_2(source, head)
    raise LayoutError(f"a LUKS header of version {version}, which is not known")


def _version_1(head: bytes) -> Luks:
    _, _, cipher, mode, hash_, payload, key, _, _, _, uuid = _FIRST.unpack_from(head)
    slots = [_SLOT.unpack_from(head, _FIRST.size + number * 48) for number in range(8)]
    return Luks(
        version=1,
        uuid=_text(uuid),
        cipher=f"{_text(cipher)}-{_text(mode)}",
        key_bits=key * 8,
        hash=_text(hash_),
        first_byte=payload * SECTOR,
        kdf="pbkdf2",
        kdf_time=next((rounds for state, rounds in slots if state == _ACTIVE), 0),
    )


def _version_2(source: ByteSource, head: bytes) -> Luks:
    _, _, size, _, label, _, _, uuid, _, _ = _SECOND.unpack_from(head)
    if not _JSON_START < size <= min(_HEADER_MAX, source.size):
        raise LayoutError("a LUKS header of an impossible size")
    raw = source.read(_JSON_START, size - _JSON_START).partition(b"\0")[0]
    try:
        words = json.loads(raw)
        ((number, segment),) = words["segments"].items()
        # Slots of other digests are for other keys, which may have another size.
        digest = next(one for one in words["digests"].values() if number in one["segments"])
        keyslot = words["keyslots"][min(digest["keyslots"], key=int)]
        if segment["type"] != "crypt" or "integrity" in segment or segment["iv_tweak"] != "0":
            raise LayoutError("a LUKS container with integrity, or of several parts")
        kdf = keyslot["kdf"]
        return Luks(
            version=2,
            uuid=_text(uuid),
            label=_text(label),
            cipher=str(segment["encryption"]),
            key_bits=int(keyslot["key_size"]) * 8,
            sector_size=int(segment["sector_size"]),
            hash=str(digest["hash"]),
            first_byte=int(segment["offset"]),
            kdf=str(kdf["type"]),
            kdf_memory=int(kdf.get("memory", 0)),
            kdf_time=int(kdf.get("time", kdf.get("iterations", 0))),
            tokens=tuple(sorted({_kind(one) for one in words.get("tokens", {}).values()})),
        )
    except _ODD as error:
        raise LayoutError(
            "a LUKS header that is damaged, is being encrypted anew, or has no key slot"
        ) from error


def _kind(token: dict[str, object]) -> str:
    """Return what kind of token one is; of what is in it nothing is kept."""
    kind = str(token["type"])
    return kind if TOKEN.fullmatch(kind) else "unknown"


def _text(raw: bytes) -> str:
    return raw.partition(b"\0")[0].decode("ascii", "backslashreplace")
