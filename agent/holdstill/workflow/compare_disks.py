"""What differs between two cards, apart from files: tables, file systems, attachments."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.model import sizes

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.layout import Disk, FileSystem
    from holdstill.workflow.compare_sources import CompareSource


def disk_changes(before: CompareSource, after: CompareSource) -> Iterator[str]:
    """Yield what differs between the tables, file systems and attachments."""
    if before.disk is not None and after.disk is not None:
        yield from _table(before.disk, after.disk)
    for number in sorted({part.number for part in (*before.parts, *after.parts)}):
        old, new = before.part(number), after.part(number)
        if old and new and before.disk is not None and after.disk is not None:
            if old.mount != new.mount:
                yield f"partition {number}: mounted at {old.mount or '-'} -> {new.mount or '-'}"
            for name in ("uuid", "label", "volume_id"):
                was, now = _told(old.file_system, name), _told(new.file_system, name)
                if was != now:
                    yield f"partition {number}: {name} {was or '-'} -> {now or '-'}"
        elif before.disk is not None and after.disk is not None:
            yield f"partition {number}: {'gone' if old else 'new'}"
    if before.attached is not None and after.attached is not None:
        for name in sorted({*before.attached, *after.attached}):
            if before.attached.get(name) != after.attached.get(name):
                what = "the boot gap" if name == "gap.bin" else name.removesuffix(".bin")
                yield f"{what}: other bytes than before"


def _table(old: Disk, new: Disk) -> Iterator[str]:
    if old.size != new.size:
        yield f"the card: {sizes.human(old.size)} -> {sizes.human(new.size)}"
    if (old.label, old.id) != (new.label, new.id):
        yield f"the table: {old.label} {old.id} -> {new.label} {new.id}"
    places = {part.number: part for part in old.partitions}
    for part in new.partitions:
        was = places.get(part.number)
        if was is not None and was != part:
            yield (
                f"partition {part.number}: start {was.start}, {was.size} sectors, type {was.type} "
                f"-> start {part.start}, {part.size} sectors, type {part.type}"
            )


def _told(kind: FileSystem, name: str) -> str:
    return str(getattr(kind, name, ""))
