"""A capture with encrypted containers, seen as one whose content never was encrypted. Pure.

What a container holds takes the container's whole place, and whatever names the container no
longer does.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from msgspec import structs

from holdstill.model.layout import Container, Disk, Ext4, Fat, Luks, Other, Swap
from holdstill.rebuild.id_map import IdMap, RewrittenText

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.model.manifest import Manifest

_UNLOCKING = re.compile(
    rb"(?<![^\s\"'=])(?:cryptopts|cryptdevice|(?:rd\.)?luks(?:\.[a-z]+)*)=[^\s\"']*[ \t]?"
)
"""Words of a kernel's command line that unlock a container (cryptsetup-initramfs,
README.initramfs; systemd-cryptsetup-generator(8); dracut.cmdline(7); mkinitcpio's encrypt)."""
_COMMENT = b"# unencrypted since a rebuild: "


@dataclass(frozen=True)
class Unencrypted:
    """A capture without its containers.

    Attributes:
        manifest: for the planner and the writers.
        names: names of mappings, and what is written in their place.
        uuids: of the containers that are gone; mapped: the names of their mappings.
        notes: what is not as on the captured card, for people.
    """

    manifest: Manifest
    names: Mapping[str, str]
    uuids: frozenset[str]
    mapped: frozenset[str]
    notes: tuple[str, ...]


class PlainWords(IdMap):
    """Names of mappings and what is written in their place; words that unlock are taken out."""

    def replace(self, content: bytes) -> RewrittenText:
        """Put new names in the place of old ones, and take out what unlocks containers."""
        found = super().replace(content)
        gone = {word.decode(errors="replace").strip(): "" for word in _UNLOCKING.findall(content)}
        without = _UNLOCKING.sub(b"", found.content)
        return RewrittenText(without, (*found.replaced, *gone.items()))


def made(manifest: Manifest) -> Unencrypted:
    """Take the containers out of a capture of one disk."""
    disk, parts = manifest.disk, list(manifest.parts)
    names, notes = dict[str, str](), []
    uuids, mapped = set[str](), set[str]()
    systems = {part.number: part.file_system for part in parts}
    for place, part in enumerate(parts):
        luks = part.file_system
        if not isinstance(luks, Luks):
            continue
        (volume,) = disk.volumes_of(part.number)
        disk = _without_header(disk, part.number)
        parts[place] = structs.replace(part, file_system=Container())
        uuids.add(luks.uuid.lower())
        mapped.add(volume.name)
        inside = systems[volume.number]
        if isinstance(inside, Ext4 | Other | Swap | Fat) and inside.uuid:
            names |= dict.fromkeys(volume.nodes, f"UUID={inside.uuid}")
        notes.append(
            f"NOT ENCRYPTED: what was in the encrypted container {volume.name} (partition "
            f"{disk.partition_below(part.number).in_table}) is readable by whoever has the card"
        )
    manifest = structs.replace(manifest, disk=disk, parts=tuple(parts))
    return Unencrypted(manifest, names, frozenset(uuids), frozenset(mapped), tuple(notes))


def _without_header(disk: Disk, number: int) -> Disk:
    """Let the volume in a container, and all in it, begin where the container does."""
    around = disk.area(number)
    (inner,) = disk.volumes_of(number)
    back = inner.start - around.start
    moved = {inner.number}
    volumes = []
    for volume in disk.volumes:  # each behind what it is in
        if volume.of in moved:
            moved.add(volume.number)
        if volume.number in moved:
            volume = structs.replace(volume, start=volume.start - back)  # noqa: PLW2901
        if volume.number == inner.number:
            volume = structs.replace(volume, size=around.size)  # noqa: PLW2901
        volumes.append(volume)
    return structs.replace(disk, volumes=tuple(volumes))


def without_containers(content: bytes, made: Unencrypted) -> bytes:
    """Turn the lines of containers that are gone into comments, for crypttab(5)."""
    return b"".join(_lines(content, made))


def _lines(content: bytes, made: Unencrypted) -> Iterator[bytes]:
    for line in content.splitlines(keepends=True):
        words = line.decode(errors="replace").split()
        is_one = len(words) > 1 and not words[0].startswith("#")
        names = is_one and (
            words[0] in made.mapped or any(uuid in words[1].lower() for uuid in made.uuids)
        )
        yield _COMMENT + line if names else line
