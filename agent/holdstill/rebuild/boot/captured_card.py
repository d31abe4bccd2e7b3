"""A capture as the card that a rebuild would make of it, for a boot check without a card."""

from __future__ import annotations

import os
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Protocol

from msgspec import structs

from holdstill.disks import volumes_on_disk
from holdstill.errors import VerificationError
from holdstill.filesystems import content_parts
from holdstill.model import emmc_boot, paths, tree_views
from holdstill.model.attachment_names import BOOTED_AREAS, area_of
from holdstill.model.entries import EntryType
from holdstill.model.layout import DISK_STEP, Fat, Luks, Subvolume, Volume
from holdstill.rebuild.boot import card as cards
from holdstill.rebuild.boot.card import BootCard
from holdstill.records import captured_gap
from holdstill.system.byte_source import OpenFile

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from holdstill.model.entries import Entry
    from holdstill.model.manifest import CapturedPart, Manifest
    from holdstill.model.sealed_capture import ContentSource

CHILDREN_MOST = 20_000
"""More than any directory that a boot leads through has: an index may come from anybody."""
FOLDED_MOST = 64
"""Directories whose names without their case are remembered at a time."""
LOOKED_AT = 64 << 20
"""Bytes before the first partition in which a boot loader is looked for."""


class EntryLookup(Protocol):
    """The entries of a capture; its index has this form, and what is laid over it."""

    def parts(self) -> Iterable[int]:
        """Return the partitions that have entries."""

    def get(self, part: int, path: bytes) -> Entry | None:
        """Return the entry at a path, or None when there is none."""

    def children_after(
        self, part: int, directory: bytes, *, after: bytes, limit: int
    ) -> list[Entry]:
        """Return the first entries in a directory behind a name, in name order."""


@dataclass(frozen=True)
class CapturedTree:
    """The files of one captured partition.

    Attributes:
        ignores_case: whether names that differ in case only are the same name, as on FAT.
    """

    index: EntryLookup
    contents: ContentSource
    part: int
    ignores_case: bool
    _folded: dict[bytes, dict[bytes, Entry]] = field(default_factory=dict, repr=False)

    def find(self, path: bytes) -> Entry | None:
        """Return the entry at a path, or None when there is none."""
        found = self.index.get(self.part, path)
        if found is not None or not self.ignores_case or not path:
            return found
        directory, name = paths.split(path)
        return self._by_folded_name(directory).get(name.lower())

    def _by_folded_name(self, directory: bytes) -> dict[bytes, Entry]:
        """Return what is in a directory by names in lower case; of equal names the first."""
        if directory not in self._folded:
            if len(self._folded) >= FOLDED_MOST:
                self._folded.clear()
            inside = reversed(self.children(directory))
            self._folded[directory] = {entry.name.lower(): entry for entry in inside}
        return self._folded[directory]

    def children(self, path: bytes) -> list[Entry]:
        """Return the entries in a directory, in name order; of very many, the first ones."""
        found = self.find(path)
        if found is None:
            return []
        return self.index.children_after(self.part, found.path, after=b"", limit=CHILDREN_MOST)

    def read(self, path: bytes, *, limit: int) -> bytes:
        """Return the content of a regular file of at most limit bytes.

        Raises:
            VerificationError: it is none, it is larger, or the store lacks it.
        """
        entry = self.find(path)
        if entry is None or entry.type is not EntryType.FILE or entry.size > limit:
            raise VerificationError(f"{paths.display(path)!r} is no regular file that can be read")
        found = bytearray(entry.size)
        try:
            for part in content_parts.open_parts(self.contents, entry):
                if part.handle is not None:
                    data = os.pread(part.handle, part.length, 0)
                    found[part.offset : part.offset + len(data)] = data
        except OSError as error:
            raise VerificationError(f"{paths.display(path)!r} cannot be read: {error}") from error
        return bytes(found)


@contextmanager
def opened(manifest: Manifest, index: EntryLookup, contents: ContentSource) -> Iterator[BootCard]:
    """Hold the card open, or the disks, that a rebuild would make.

    Args:
        manifest: of the capture.
        index: its index.
        contents: where files are read.

    Raises:
        HoldstillError, OSError: the capture cannot be read.
    """
    head = os.memfd_create("head", os.MFD_CLOEXEC)
    try:
        yield _read(manifest, index, contents, head)
    finally:
        os.close(head)


def _read(manifest: Manifest, index: EntryLookup, contents: ContentSource, head: int) -> BootCard:
    """Return the card; head is an empty file in memory, for the bytes before its partitions."""
    os.ftruncate(head, min(manifest.disk.size, LOOKED_AT))
    if manifest.gap is not None:
        name = f"capture {manifest.seq} of {manifest.board.name}"
        for run in captured_gap.read(contents, manifest.gap, of=name):
            os.pwrite(head, run.data, run.offset)
    return BootCard(
        manifest.disk,
        tuple(_volumes(manifest, index, contents)),
        OpenFile(head, size=os.fstat(head).st_size),
        system_at(manifest),
        boot_areas(manifest),
        root_file(manifest),
    )


def system_at(manifest: Manifest) -> tuple[int, bytes] | None:
    """Return the partition, and the folder in it, that the board saw as /; None for a top."""
    for part in manifest.parts:
        folder = tree_views.root_folder(part.views)
        if folder:
            return part.partition, folder.encode()
    return None


def root_file(manifest: Manifest) -> str:
    """Return which file the board saw as /, in words; "" for none."""
    return str(manifest.root_file) if manifest.root_file else ""


def boot_areas(manifest: Manifest) -> tuple[str, ...]:
    """Return the areas of the first disk from which the board boots, or may."""
    names = (area_of(item.name) for item in manifest.boot_areas)
    booted = emmc_boot.booted(manifest.disk.emmc_boot)
    return tuple(name for name in names if name in BOOTED_AREAS and booted in {"", name})


def looked_into(card: BootCard, manifest: Manifest, trees: Mapping[int, CapturedTree]) -> BootCard:
    """Return a finished card with the files of what only the kernel can read.

    Args:
        card: one disk, its partitions numbered by their slots.
        manifest: of what was written there; what is on it was read back and compared already,
            and so was what is in encrypted containers.
        trees: by partition, of that.
    """
    disk = volumes_on_disk.matched(card.disk, manifest.disk.by_slot())
    there = {area.number for area in disk.areas}
    numbered = zip(card.disk.areas, card.volumes, strict=True)
    known = {volume.uuid: volume for volume in disk.volumes}
    volumes = [
        replace(one, number=known[area.uuid].number, mapped=known[area.uuid].nodes)
        if isinstance(area, Volume)
        else one
        for area, one in numbered
        if not isinstance(area, Volume) or area.uuid in known
    ]
    numbers = {area.number % DISK_STEP: area.number for area in manifest.disk.volumes}
    numbers |= {place.in_table: place.number for place in manifest.disk.partitions}
    systems = {part.number: part.file_system for part in manifest.parts}
    seen = []
    for volume in volumes:
        number = numbers.get(volume.number, 0)
        if volume.tree is None and volume.kind not in _READ_HERE:
            volume = replace(volume, tree=trees.get(number))  # noqa: PLW2901
        kind = systems.get(number)
        seen.append(replace(volume, remade=kind) if isinstance(kind, Luks) else volume)
    encrypted = {number % DISK_STEP for number in manifest.in_containers}
    hidden = [
        one
        for one in manifest.disk.by_slot().volumes
        if one.number not in there and one.number in encrypted
    ]
    seen += [
        cards.volume_of(disk, one, systems[numbers[one.number]], trees.get(numbers[one.number]))
        for one in hidden
    ]
    disk = structs.replace(disk, volumes=(*disk.volumes, *hidden))
    return replace(card, disk=disk, volumes=tuple(seen))


_READ_HERE = frozenset({"ext4", "vfat"})
"""A finished one that cannot be read is damaged: what was captured says nothing of it."""


def trees(
    manifest: Manifest, index: EntryLookup, contents: ContentSource
) -> dict[int, CapturedTree]:
    """Return what the system sees of each partition that has files, by the partition's number."""
    indexed = set(index.parts())
    seen = {
        part.number: _seen(manifest, part)
        for part in manifest.parts
        if not isinstance(part.file_system, Subvolume)
    }
    return {
        number: CapturedTree(index, contents, part.number, isinstance(part.file_system, Fat))
        for number, part in seen.items()
        if part.number in indexed
    }


def _volumes(
    manifest: Manifest, index: EntryLookup, contents: ContentSource
) -> Iterator[cards.BootVolume]:
    found = trees(manifest, index, contents)
    for part in manifest.parts:
        if isinstance(part.file_system, Subvolume):
            continue
        disk = manifest.disk_of(part)
        place = disk.area(part.number)
        yield cards.volume_of(disk, place, part.file_system, found.get(part.number))


def _seen(manifest: Manifest, part: CapturedPart) -> CapturedPart:
    """Return what the system sees of a partition: of a btrfs, its subvolume that is the root."""
    numbers = {number for number, _ in manifest.subvolumes(part.number)}
    own = (one for one in manifest.parts if one.number in numbers)
    return next((one for one in own if any(view.is_root for view in one.seen)), part)
