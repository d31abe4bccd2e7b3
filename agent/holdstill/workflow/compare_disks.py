"""What differs between two cards, apart from files: tables, file systems, attachments."""

from __future__ import annotations

from itertools import zip_longest
from typing import TYPE_CHECKING

from holdstill.model import attachment_names, sizes

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.model.layout import Disk, FileSystem
    from holdstill.workflow.compare_sources import CompareSource


def disk_changes(before: CompareSource, after: CompareSource) -> Iterator[str]:
    """Yield what differs between the tables, file systems and attachments."""
    know_disks = before.disks is not None and after.disks is not None
    yield from _tables(before.disks or (), after.disks or ()) if know_disks else ()
    for number in sorted({part.number for part in (*before.parts, *after.parts)}):
        old, new = before.part(number), after.part(number)
        if old and new and know_disks:
            if old.place != new.place:
                yield f"partition {number}: mounted at {old.place or '-'} -> {new.place or '-'}"
            for name in ("uuid", "label", "volume_id"):
                was, now = _told(old.file_system, name), _told(new.file_system, name)
                if was != now:
                    yield f"partition {number}: {name} {was or '-'} -> {now or '-'}"
        elif know_disks:
            yield f"partition {number}: {'gone' if old else 'new'}"
    if before.attached is not None and after.attached is not None:
        unread = {*before.unread, *after.unread}
        for name in sorted({*before.attached, *after.attached} - unread):
            change = _change(before.attached.get(name), after.attached.get(name))
            if change:
                yield f"{attachment_names.words(name)}: {change}"


def _change(was: str | None, now: str | None) -> str:
    """Say how a digest changed; "" if it did not."""
    if was is None or now is None:
        return "gone" if was else "new" if now else ""
    return "" if was == now else "other bytes than before"


def not_compared(before: CompareSource, after: CompareSource) -> Iterator[str]:
    """Yield what of the disks is not compared, and why."""
    for side in (before, after):
        if side.disks is None:
            yield f"the partition tables, and names of file systems: {side.name} has none of them"
        if side.attached is None:
            yield f"boot gaps, and partitions that are copied as they are: {side.name} has none"
        for name, why in sorted(side.unread.items()):
            yield f"{attachment_names.words(name)}: {why}"


def _tables(before: Sequence[Disk], after: Sequence[Disk]) -> Iterator[str]:
    for place, (old, new) in enumerate(zip_longest(before, after), start=1):
        name = "the card" if max(len(before), len(after)) == 1 else f"disk {place}"
        if old is None or new is None:
            yield f"{name}: {'new' if old is None else 'gone'}"
        else:
            yield from _table(name, old, new)


def _table(name: str, old: Disk, new: Disk) -> Iterator[str]:
    if old.size != new.size:
        yield f"{name}: {sizes.human(old.size)} -> {sizes.human(new.size)}"
    if (old.label, old.id) != (new.label, new.id):
        yield f"{name}'s table: {old.label} {old.id} -> {new.label} {new.id}"
    places = {part.number: part for part in old.partitions}
    for number in sorted(places.keys() ^ {part.number for part in new.partitions}):
        yield f"partition {number}: {'gone from' if number in places else 'new in'} the table"
    for part in new.partitions:
        was = places.get(part.number)
        if was is not None and was != part:
            yield (
                f"partition {part.number}: start {was.start}, {was.size} sectors, type {was.type} "
                f"-> start {part.start}, {part.size} sectors, type {part.type}"
            )


def _told(kind: FileSystem, name: str) -> str:
    return str(getattr(kind, name, ""))
