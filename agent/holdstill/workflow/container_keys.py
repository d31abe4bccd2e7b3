"""Key files by which a board opens its encrypted containers, for those that are made again."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from holdstill.filesystems import writer_input
from holdstill.model import paths, system_tables, unlocking
from holdstill.model.layout import Luks
from holdstill.model.unlocking import KEY_MAX, ContainerKey
from holdstill.rebuild.boot import captured_card, namespace, system_folder, unlocked
from holdstill.rebuild.boot.unlocked import KeyPlace
from holdstill.rebuild.overlay import Overlay
from holdstill.system import sparse_copy

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.manifest import Manifest
    from holdstill.rebuild.boot.card import BootCard, BootVolume
    from holdstill.workflow.rebuild_source import RebuildSource

_CRYPTTAB = b"etc/crypttab"


def added(source: RebuildSource) -> RebuildSource:
    """Return a source with the keys of its containers, and notes of those that do not open so.

    All disks of the capture are looked at, whichever the source is of.

    Raises:
        VerificationError: a key file, or a crypttab, is damaged in the store, and is not left out.
    """
    containers = {
        part.number: part.file_system
        for part in source.manifest.parts
        if isinstance(part.file_system, Luks)
    }
    if not containers:
        return source
    keys, notes, named = dict[tuple[int, bytes], ContainerKey](), dict[str, None](), set[int]()
    # As captured, for what a sibling has otherwise names partitions that are not there yet.
    entries = Overlay(lost=source.overlay.lost).over_entries(source.index)
    with captured_card.opened(source.capture.manifest(), entries, source.capture) as card:
        for number, name, found in _lines(source, card):
            if number not in containers:
                continue
            named.add(number)
            if isinstance(found, ContainerKey):
                taken = {one.slot for one in keys.values() if one.container == number}
                keys[number, found.key] = (
                    replace(found, slot=None) if found.slot in taken else found
                )
                notes[f"crypttab {name}: the key file {found.path} opens it as before"] = None
            else:
                notes[f"crypttab {name}: {found}"] = None
    for number, luks in containers.items():
        lost = unlocking.by_tokens(luks.tokens)
        if lost is not None and number not in named:
            notes[f"partition {number}: {lost.consequence}"] = None
    return replace(source, keys=tuple(keys.values()), notes=(*source.notes, *notes))


def _lines(source: RebuildSource, card: BootCard) -> Iterator[tuple[int, str, ContainerKey | str]]:
    """Yield what opens each container: its number, the name in crypttab, and a key or words."""
    for root in _roots(source.capture.manifest(), card):
        space = namespace.of(card, root)
        for line in system_tables.parse_crypttab(root.text(_CRYPTTAB) or ""):
            for container in card.named(line.spec)[:1]:
                means = unlocked.opened_by(space, line, container)
                if isinstance(means, KeyPlace):
                    key = means.file.key_in(_content(means))
                    where = paths.display(means.file.path.encode())
                    made = ContainerKey(container.number, where, means.file.slot, key)
                    yield container.number, line.name, made
                elif means is not None:
                    yield container.number, line.name, means.consequence


def _roots(manifest: Manifest, card: BootCard) -> Iterator[BootVolume]:
    """Yield what the board saw as /.

    What another system, or a copy of one, has in its crypttab may have been taken from the
    container since.
    """
    for part in manifest.parts:
        for view in part.seen:
            if view.is_root:
                yield system_folder.entered(card.volume(part.partition), view.inside.encode())


def _content(place: KeyPlace) -> bytes:
    assert place.volume.tree is not None  # noqa: S101  it has been found there
    content = place.volume.tree.read(place.entry.path, limit=KEY_MAX)
    if sparse_copy.digest_of(content) != place.entry.digest:
        raise writer_input.not_the_content(place.entry, writer_input.OTHER_BYTES)
    return content
