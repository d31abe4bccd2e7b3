"""What a member of an array (md) says of it, read, and made anew for a mirror with one member.

Sources: Linux include/uapi/linux/raid/md_p.h (struct mdp_superblock_1), drivers/md/md.c
(super_1_load, calc_sb_1_csum); md(4).
"""

from __future__ import annotations

import struct
import uuid
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import LayoutError
from holdstill.model.layout import ArrayMember
from holdstill.model.sizes import KIB, SECTOR
from holdstill.model.volume_check import ARRAY_NAME_MAX

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.system.byte_source import ByteSource

LENGTH = 4 * KIB
"""Bytes that a superblock has at the most."""
MIRROR = 1
_MAGIC = 0xA92B4EFC
_FIRST = struct.Struct("<4I16s32sQIIQIIi")
"""Magic, major version, features, padding, id, name, time, level, layout, sectors, chunk, disks,
place of a bitmap."""
_PLACES = struct.Struct("<QQQQII16s8xQQQII32x")
"""From 128 on: start and length of the data, place of this, recovery, number of this device,
errors; its id; time, events, how far it is in sync, checksum, number of roles."""
_PLACES_AT, _CHECKSUM_AT, _ROLES_AT = 128, 216, 256
_ROLES_MAX = (LENGTH - _ROLES_AT) // 2
_IN_SYNC = (1 << 64) - 1
_NOBODY = 0xFFFF
_RESHAPING = 0x4
"""Of the features: the array is being given another form."""


class Found(NamedTuple):
    """A superblock that was read.

    Attributes:
        level: 1 for a mirror.
        sectors: of 512 bytes, that the array has of each member.
        is_reshaping: whether it is being given another form.
    """

    member: ArrayMember
    level: int
    sectors: int
    is_reshaping: bool


def read(source: ByteSource) -> Found:
    """Read the superblock of a member, wherever it is.

    Raises:
        LayoutError: there is none that is whole.
    """
    for version, at in _candidates(source.size):
        if at + LENGTH > source.size:
            continue
        found = _understood(source.read(at, LENGTH), version, at)
        if found is not None:
            return found
    raise LayoutError("no superblock of an array (md) of version 1 that is whole")


def place(version: str, size: int) -> int:
    """Return the byte of a partition at which the superblock of a version is."""
    return dict(_candidates(size))[version]


def _candidates(size: int) -> Iterator[tuple[str, int]]:
    """Yield the three places: 4 KiB behind the start, the start, at least 8 KiB before the end."""
    last = (size - 8 * KIB) // (4 * KIB) * (4 * KIB)
    yield from (("1.2", 4 * KIB), ("1.1", 0), ("1.0", max(last, 0)))


def _understood(raw: bytes, version: str, at: int) -> Found | None:
    magic, major, features, _, id_, name, _, level, _, sectors, _, disks, _ = _FIRST.unpack_from(
        raw
    )
    start, _, own, *_, checksum, roles = _PLACES.unpack_from(raw, _PLACES_AT)
    if magic != _MAGIC or major != 1 or own * SECTOR != at or roles > _ROLES_MAX:
        return None
    if checksum != _checksum(raw, roles):
        return None
    member = ArrayMember(
        uuid=_words(id_),
        name=name.rstrip(b"\0").decode(errors="backslashreplace"),
        version=version,
        members=disks,
        first_byte=start * SECTOR,
    )
    return Found(member, level, sectors, bool(features & _RESHAPING))


def made(member: ArrayMember, *, at: int, size: int, content: int) -> bytes:
    """Return the superblock of the one member that a mirror has for now.

    The places of its other members are free, as if they had been taken out: so the array starts
    without anybody waiting for them.

    Args:
        member: of the array.
        at: byte of the partition at which the superblock is.
        size: bytes of the partition.
        content: bytes that the array has.
    """
    id_ = bytes.fromhex(member.uuid.replace(":", ""))
    start = member.first_byte // SECTOR
    room = at // SECTOR if member.version == "1.0" else size // SECTOR - start
    roles = max(member.members, 2)
    head = _FIRST.pack(
        _MAGIC, 1, 0, 0, id_, member.name.encode()[:ARRAY_NAME_MAX], 0, MIRROR, 0,
        content // SECTOR, 0, member.members, 0,
    )  # fmt: skip
    # The same each time, so that a card can be made twice.
    own = uuid.uuid5(uuid.NAMESPACE_OID, f"{member.uuid} {size}").bytes
    places = _PLACES.pack(start, room, at // SECTOR, 0, 0, 0, own, 0, 1, _IN_SYNC, 0, roles)
    raw = bytearray(head.ljust(_PLACES_AT, b"\0") + places)
    raw += struct.pack(f"<{roles}H", 0, *[_NOBODY] * (roles - 1))
    struct.pack_into("<I", raw, _CHECKSUM_AT, _checksum(raw, roles))
    return bytes(raw).ljust(LENGTH, b"\0")


def _checksum(raw: bytes | bytearray, roles: int) -> int:
    """Add up all words, the checksum's own left out, and the carry to that (calc_sb_1_csum)."""
    length = _ROLES_AT + 2 * roles
    whole = bytearray(raw[:length])
    whole[_CHECKSUM_AT : _CHECKSUM_AT + 4] = bytes(4)
    words = length // 4
    total: int = sum(struct.unpack_from(f"<{words}I", whole))
    if length % 4:
        total += int.from_bytes(whole[words * 4 :], "little")
    return ((total & 0xFFFFFFFF) + (total >> 32)) & 0xFFFFFFFF


def _words(id_: bytes) -> str:
    """Return an array's id as mdadm writes it."""
    text = id_.hex()
    return ":".join(text[at : at + 8] for at in range(0, 32, 8))
