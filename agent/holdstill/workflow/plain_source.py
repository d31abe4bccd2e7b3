"""A source without encrypted containers: what they hold is written as it is, and files follow."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from holdstill.rebuild import unencrypted
from holdstill.rebuild.new_identity import IdentityChange
from holdstill.rebuild.reference_changes import ReferenceChanges
from holdstill.rebuild.small_files import SmallFileReader
from holdstill.rebuild.unencrypted import PlainWords

if TYPE_CHECKING:
    from holdstill.workflow.rebuild_source import RebuildSource

_CRYPTTAB = "etc/crypttab"


def made(source: RebuildSource) -> RebuildSource:
    """Return a source without containers; one that has none is as it was.

    Raises:
        VerificationError: a file that names one is damaged in the store.
    """
    found = unencrypted.made(source.manifest)
    if not found.uuids:
        return source
    reader = SmallFileReader(source.index, source.capture, source.overlay.lost)
    references = ReferenceChanges(reader, PlainWords({}, devices=found.names))
    references.files |= source.overlay.files
    numbers = [part.number for part in found.manifest.parts]
    for part in found.manifest.parts:
        references.visit(part.number, (view.inside for view in part.views))
    locked = [one for number in numbers for one in reader.small(number, _CRYPTTAB)]
    for one in locked:
        content = references.current(one)
        without = unencrypted.without_containers(content, found)
        if without != content:
            references.files[one.part, one.path] = without
            what = "no longer unlocks what is not encrypted any more"
            references.changes.append(IdentityChange(one.where, what))
            references.touches_initramfs = True
    references.note_initramfs(numbers)
    notes = (*found.notes, *map(str, references.changes), *map(str, references.left))
    overlay = replace(source.overlay, files={**source.overlay.files, **references.files})
    return replace(source, manifest=found.manifest, overlay=overlay, notes=(*source.notes, *notes))
