"""What a manifest must be beyond its types, so that nobody who works with one trips over it. Pure.

A signature says who wrote a manifest, not that it makes sense: a board may be broken or stolen.
"""

from __future__ import annotations

import re
from collections import Counter
from datetime import datetime
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import SecurityError
from holdstill.model import layout_check, paths, tree_views, volume_check
from holdstill.model.attachment_names import EMMC_AREAS, area_name
from holdstill.model.layout import (
    DISK_STEP,
    DISKS_MAX,
    SUBVOLUME_STEP,
    ArrayMember,
    Luks,
    LvmPv,
    Other,
    Subvolume,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.manifest import Manifest

WHOLE_MAX = 1 << 60
"""Greatest whole number: more bytes, sectors or entries than any card has, by far."""
SEQ_MAX = 999_999_999
"""Greatest number of a capture: its name has room for nine digits."""
_MAY_BE_NEGATIVE = frozenset({"max_mount_count"})
_FIRST_SUBVOLUME = 256
"""Smallest id of a subvolume but the top (linux/btrfs_tree.h, BTRFS_FIRST_FREE_OBJECTID)."""
_MOMENT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]{1,9})?Z")


def complaints(manifest: Manifest) -> list[str]:
    """Return what is wrong, one line each with its key path; empty when it makes sense."""
    return [
        *_numbers(manifest, ""),
        *_sequence(manifest),
        *_moment("moment.taken_at", manifest.moment.taken_at),
        *(_moment("card.at", manifest.card.at) if manifest.card else ()),
        *_places(manifest),
        *_disks(manifest),
        *_boot_areas(manifest),
        *_file_systems(manifest),
        *_views(manifest),
        *_root_file(manifest),
    ]


def _numbers(value: object, path: str) -> Iterator[str]:
    """Complain of every whole number that no card could have."""
    match value:
        case msgspec.Struct():
            for name in value.__struct_fields__:
                inner: object = getattr(value, name)
                yield from _numbers(inner, f"{path}.{name}" if path else name)
        case tuple():
            for number, inner in enumerate(value):
                yield from _numbers(inner, f"{path}[{number}]")
        case int():
            least = -1 if path.rpartition(".")[2] in _MAY_BE_NEGATIVE else 0
            if not least <= value <= WHOLE_MAX:
                yield f"{path}: expected a whole number from {least} to {WHOLE_MAX}"
        case _:
            return


def _sequence(manifest: Manifest) -> Iterator[str]:
    if not 1 <= manifest.seq <= SEQ_MAX:
        yield f"seq: expected a whole number from 1 to {SEQ_MAX}"


def _moment(path: str, text: str) -> Iterator[str]:
    """Complain of a date that is not RFC 3339 in UTC, or that is no day of any calendar."""
    wrong = f"{path}: expected a moment such as 2026-11-25T02:15:03Z; found {text[:40]!r}"
    if _MOMENT.fullmatch(text) is None:
        yield wrong
        return
    try:
        datetime.fromisoformat(text)
    except ValueError:
        yield wrong


def _places(manifest: Manifest) -> Iterator[str]:
    """Complain of parts that the disks lack, and of partitions or parts that stand there twice."""
    known = {area.number for disk in manifest.disks for area in disk.areas}
    parts = Counter(part.number for part in manifest.parts)
    for part in manifest.parts:
        if isinstance(part.file_system, Subvolume):
            yield from _subvolume(manifest, part.number, part.file_system)
            known.add(part.number)
    for number, count in parts.items():
        if count > 1:
            yield f"parts: number {number} is listed {count} times"
    swaps = (swap.partition for swap in manifest.swap_files)
    for name, numbers in (("parts", parts), ("swap_files", swaps)):
        for number in sorted(set(numbers) - known):
            yield f"{name}: no disk has a partition {number}"


def _subvolume(manifest: Manifest, number: int, subvolume: Subvolume) -> Iterator[str]:
    """Complain of a subvolume that no btrfs of the capture can have."""
    systems = {part.number: part.file_system for part in manifest.parts}
    within = systems.get(subvolume.of)
    if not isinstance(within, Other) or within.type != "btrfs":
        yield f"parts: {number} is a subvolume of partition {subvolume.of}, which is no btrfs"
    if number // SUBVOLUME_STEP != subvolume.of or number % SUBVOLUME_STEP < _FIRST_SUBVOLUME:
        yield f"parts: {number} is no number of a subvolume of partition {subvolume.of}"
    if not (subvolume.path and _is_path(subvolume.path)):
        yield f"parts: {number}: {subvolume.path[:70]!r} is no path of a subvolume"
    defaults = [one for one, kind in manifest.subvolumes(subvolume.of) if kind.is_default]
    if len(defaults) > 1:
        yield f"parts: {' and '.join(map(str, defaults))} cannot both be the default subvolume"
    twins = [one for one, kind in manifest.subvolumes(subvolume.of) if kind.path == subvolume.path]
    if len(twins) > 1:
        yield f"parts: {' and '.join(map(str, twins))} are one subvolume"


def _disks(manifest: Manifest) -> Iterator[str]:
    """Complain of disks that no board has, and of partitions that are not numbered by them."""
    if len(manifest.disks) > DISKS_MAX:
        yield f"further_disks: expected fewer than {DISKS_MAX}"
    systems = {part.number: part.file_system for part in manifest.parts}
    for place, disk in enumerate(manifest.disks, start=1):
        path = "disk" if place == 1 else f"further_disks[{place - 2}].disk"
        yield from layout_check.of_disk(disk, path)
        yield from volume_check.of_disk(disk, systems, path)
        slots = Counter(partition.in_table for partition in disk.partitions)
        for slot, count in slots.items():
            if count > 1:
                yield f"{path}.partitions: slot {slot} is listed {count} times"
            if not 1 <= slot < DISK_STEP:
                yield f"{path}.partitions: {slot} is no slot of a partition table"
        if disk != disk.as_further(place):
            yield f"{path}.partitions: expected numbers from {DISK_STEP * (place - 1) + 1} on"


def _boot_areas(manifest: Manifest) -> Iterator[str]:
    """Complain of areas that no disk has: their names are in commands that people are told."""
    for place, areas in enumerate(manifest.boot_areas_by_disk, start=1):
        path = "boot_areas" if place == 1 else f"further_disks[{place - 2}].boot_areas"
        allowed = [area_name(area, place) for area in EMMC_AREAS]
        names = [area.name for area in areas]
        if len(set(names)) != len(names) or not set(names).issubset(allowed):
            yield f"{path}: names must be of {', '.join(allowed)}, each once"


def _file_systems(manifest: Manifest) -> Iterator[str]:
    for number, part in enumerate(manifest.parts):
        path = f"parts[{number}].file_system"
        yield from layout_check.of_file_system(part.file_system, path)
        if isinstance(part.file_system, LvmPv | Luks | ArrayMember):
            yield from volume_check.of_container(part.file_system, path)


def _views(manifest: Manifest) -> Iterator[str]:
    """Complain of views of no folder, at no place, or of more than one / of a board."""
    for number, part in enumerate(manifest.parts):
        path = f"parts[{number}].views"
        if len(part.views) > tree_views.MOST:
            yield f"{path}: expected {tree_views.MOST} at most"
        for view in part.views:
            if not _is_path(view.inside):
                yield f"{path}: {view.inside[:70]!r} is no path of a folder"
            if not (view.place.startswith("/") and _is_path(view.place[1:])):
                yield f"{path}: {view.place[:70]!r} is no place"
    roots = [part.number for part in manifest.parts for view in part.views if view.is_root]
    if len(roots) > 1:
        yield f"parts: {' and '.join(map(str, roots))} are both seen at /"


def _root_file(manifest: Manifest) -> Iterator[str]:
    """Complain of a / in a file of no partition, or beside one that is seen at /."""
    if manifest.root_file is None:
        return
    number = manifest.root_file.partition
    if all(part.number != number for part in manifest.parts):
        yield f"root_file.partition: there is no partition {number}"
    inside = manifest.root_file.path.removeprefix("/")
    if not (inside and _is_path(inside)):
        yield f"root_file.path: {manifest.root_file.path[:70]!r} is no path of a file"
    if any(view.is_root for part in manifest.parts for view in part.seen):
        yield "root_file: / is a partition, or in one, as well"


def _is_path(text: str) -> bool:
    try:
        return text.isprintable() and text.encode() == paths.check_path(text.encode())
    except (SecurityError, UnicodeEncodeError):
        return False
