"""What volumes inside partitions can be: names, ids and places that LVM and LUKS have. Pure.

What a manifest says of them ends in LVM's and md's metadata, and in arguments of cryptsetup.
"""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING, assert_never

from holdstill.model.layout import DISK_STEP, TOKEN, VOLUME_BASE, ArrayMember, Luks, LvmPv
from holdstill.model.sizes import MIB, SECTOR

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.model.layout import Disk, FileSystem, Volume

_LVM_ID = re.compile(r"[0-9a-zA-Z]{6}(?:-[0-9a-zA-Z]{4}){5}-[0-9a-zA-Z]{6}")
_LVM_NAME = re.compile(r"(?!\.{1,2}$)[0-9a-zA-Z+_.][0-9a-zA-Z+_.-]{0,126}")
"""lvm(8), VALID NAMES."""
_ARRAY = re.compile(r"md[0-9a-zA-Z_][0-9a-zA-Z_.-]{0,29}")
_ARRAY_ID = re.compile(r"[0-9a-f]{8}(?::[0-9a-f]{8}){3}")
ARRAY_VERSIONS = frozenset({"1.0", "1.1", "1.2"})
"""Versions of an array's superblock that are read and written here."""
_ARRAY_NAME = re.compile(r"[0-9a-zA-Z_.:+@-]*")
ARRAY_NAME_MAX = 32
"""Bytes that an array's name has room for (Linux include/uapi/linux/raid/md_p.h)."""
MEMBERS_MAX = 256
"""Members of a mirror; nobody has so many."""
_ARRAY_START_MAX, _BEHIND_MAX = 1 << 40, 256
_UUID = re.compile(r"[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}")
_WORD = re.compile(r"[0-9a-z][0-9a-z:(),_-]{0,63}")
_LABEL_MAX = 47
_FIRST_BYTE_MAX = 64 * MIB
"""A header of LUKS2 has 16 MiB unless it is told otherwise; 4 MiB of metadata is the most."""
_KDF = frozenset({"", "pbkdf2", "argon2i", "argon2id"})
_U32 = 1 << 32
_TOKENS_MAX = 32
"""Of LUKS2 (On-Disk Format Specification 1.1.1, 3.5; cryptsetup's LUKS2_TOKENS_MAX)."""


def of_disk(disk: Disk, systems: Mapping[int, FileSystem], path: str) -> Iterator[str]:
    """Complain of volumes that are nowhere, twice, or not described; path: key of the disk."""
    base = max((one.number for one in disk.partitions), default=0) // DISK_STEP * DISK_STEP
    allowed = range(base + VOLUME_BASE + 1, base + DISK_STEP)
    known = {partition.number for partition in disk.partitions}
    inside = Counter(volume.of for volume in disk.volumes)
    for volume in disk.volumes:
        here = f"{path}.volumes: {volume.number}"
        if volume.number in known or volume.number not in allowed:
            yield f"{here} is no number of a volume, or stands there twice"
        if volume.of not in known:
            yield f"{here} is in {volume.of}, which does not stand before it"
        if volume.number not in systems:
            yield f"{here} is not among the parts"
        if volume.grain < 1:
            yield f"{here}.grain: expected 1 or more"
        if not 0 <= volume.behind <= _BEHIND_MAX:
            yield f"{here}.behind: expected 0 to {_BEHIND_MAX}"
        yield from (f"{here}: {what}" for what in _names(volume))
        known.add(volume.number)
    for number, system in systems.items():
        if isinstance(system, Luks) and number in known and inside[number] != 1:
            yield f"parts: the encrypted container {number} has {inside[number]} volumes, not one"
        if isinstance(system, ArrayMember) and number in known:
            arrays = [bool(volume.array) for volume in disk.volumes if volume.of == number]
            if arrays != [True]:
                yield f"parts: the member {number} of an array has no content, or several"


def of_container(system: LvmPv | Luks | ArrayMember, path: str) -> Iterator[str]:
    """Complain of what no container has; path is the key that it stands at."""
    yield from (f"{path}: {what}" for what in _of_container(system))


def _of_container(system: LvmPv | Luks | ArrayMember) -> Iterator[str]:
    match system:
        case LvmPv():
            return _lvm(system)
        case Luks():
            return _luks(system)
        case ArrayMember():
            return _member(system)
        case unknown:
            assert_never(unknown)


def _names(volume: Volume) -> Iterator[str]:
    name, group, uuid = volume.name, volume.group, volume.uuid
    if volume.array:
        if group or not _ARRAY.fullmatch(volume.array):
            yield f"{volume.array[:40]!r} is no name of an array"
        if not _ARRAY_ID.fullmatch(uuid):
            yield f"{uuid[:40]!r} is no id of an array"
    if group:
        if not (_LVM_NAME.fullmatch(name) and _LVM_NAME.fullmatch(group)):
            yield f"{f'{group}/{name}'[:70]!r} is no name of a logical volume"
        if not _LVM_ID.fullmatch(uuid):
            yield f"{uuid[:40]!r} is no id of LVM"
    elif not name.isprintable() or "/" in name or " " in name:
        yield f"{name[:70]!r} is no name of a mapping"


def _lvm(system: LvmPv) -> Iterator[str]:
    if not (_LVM_ID.fullmatch(system.uuid) and _LVM_ID.fullmatch(system.group_uuid)):
        yield "expected ids as LVM writes them"
    if not _LVM_NAME.fullmatch(system.group):
        yield f"{system.group[:40]!r} is no name of a volume group"
    if not all(map(_LVM_NAME.fullmatch, system.spanning)):
        yield "spanning: expected names of logical volumes"
    if system.extent_size < SECTOR or system.extent_size & (system.extent_size - 1):
        yield "extent_size: expected a power of two"
    if not 0 < system.first_extent <= _FIRST_BYTE_MAX or system.first_extent % SECTOR:
        yield f"first_extent: expected whole sectors, at most {_FIRST_BYTE_MAX}"


def _member(system: ArrayMember) -> Iterator[str]:
    if not _ARRAY_ID.fullmatch(system.uuid):
        yield f"{system.uuid[:40]!r} is no id of an array"
    if not is_array_name(system.name):
        yield f"{system.name[:70]!r} is no name of an array"
    if system.version not in ARRAY_VERSIONS:
        yield "version: expected 1.0, 1.1 or 1.2"
    if not 1 <= system.members <= MEMBERS_MAX:
        yield f"members: expected 1 to {MEMBERS_MAX}"
    if not 0 <= system.first_byte <= _ARRAY_START_MAX or system.first_byte % SECTOR:
        yield f"first_byte: expected whole sectors, at most {_ARRAY_START_MAX}"


def is_array_name(name: str) -> bool:
    """Whether an array can be called so again: as long as the disk has room, and plain words."""
    return len(name) <= ARRAY_NAME_MAX and bool(_ARRAY_NAME.fullmatch(name))


def _luks(system: Luks) -> Iterator[str]:
    if system.version not in {1, 2}:
        yield "version: expected 1 or 2"
    if not _UUID.fullmatch(system.uuid):
        yield f"{system.uuid[:40]!r} is no UUID"
    if len(system.label) > _LABEL_MAX or not system.label.isprintable():
        yield "label: expected at most 47 printable characters"
    for word in (system.cipher, system.hash or "sha256"):
        if not _WORD.fullmatch(word):
            yield f"{word[:40]!r} is no name of a cipher or hash"
    if system.kdf not in _KDF:
        yield f"{system.kdf[:40]!r} is no way to make keys of passphrases"
    if system.sector_size not in {512, 1024, 2048, 4096}:
        yield "sector_size: expected 512, 1024, 2048 or 4096"
    if not SECTOR <= system.first_byte <= _FIRST_BYTE_MAX or system.first_byte % SECTOR:
        yield f"first_byte: expected whole sectors, at most {_FIRST_BYTE_MAX}"
    if len(system.tokens) > _TOKENS_MAX or not all(map(TOKEN.fullmatch, system.tokens)):
        yield f"tokens: expected at most {_TOKENS_MAX} names of kinds"
    if system.kdf_memory >= _U32 or system.kdf_time >= _U32:
        yield "kdf_memory, kdf_time: expected 32 bits"
