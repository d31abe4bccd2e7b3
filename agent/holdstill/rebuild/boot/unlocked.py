"""What opens the encrypted containers of a card when its board starts, by its crypttab(5)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.model import unlocking
from holdstill.model.entries import EntryType, Omitted
from holdstill.model.unlocking import KEY_MAX, Helper, KeyFile, Unopened
from holdstill.rebuild.boot import card as cards
from holdstill.rebuild.boot.report import found, lacking, unknown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.entries import Entry
    from holdstill.model.system_tables import CrypttabEntry
    from holdstill.rebuild.boot.card import BootCard, BootVolume
    from holdstill.rebuild.boot.namespace import Namespace
    from holdstill.rebuild.boot.report import ChainLink


@dataclass(frozen=True)
class KeyPlace:
    """A key file that is there.

    Attributes:
        entry: with its path on the volume.
    """

    file: KeyFile
    volume: BootVolume
    entry: Entry


def opened_by(
    space: Namespace, line: CrypttabEntry, container: BootVolume
) -> KeyPlace | Unopened | None:
    """Return what opens a container; None for a passphrase that is asked for, as it ever was."""
    means = unlocking.of_line(line)
    there = space.find(means.path) if isinstance(means, KeyFile) else None
    if isinstance(means, KeyFile) and there is not None and _is_key(means, there[1]):
        return KeyPlace(means, *there)
    return unlocking.without_file(means, container.remade.tokens if container.remade else ())


def _is_key(wanted: KeyFile, entry: Entry) -> bool:
    is_captured = entry.type is EntryType.FILE and entry.omitted is Omitted.NOTHING
    return is_captured and wanted.offset < entry.size <= KEY_MAX


def links(card: BootCard, space: Namespace, line: CrypttabEntry) -> Iterator[ChainLink]:
    """Return whether a line of crypttab leads to a partition of this card, and what opens that."""
    volumes = card.named(line.spec)
    if not volumes and not cards.names_a_partition(line.spec):
        return
    name = f"crypttab {line.name}"
    if volumes and volumes[0].kind == cards.LUKS:
        yield _link(name, space, line, volumes[0])
    elif volumes:
        yield found(name, line.spec)
    elif line.may_fail:
        yield lacking(name, f"{line.spec} is not on this card")
    else:
        yield unknown(name, f"{line.spec} is not known to be on this card")


def _link(name: str, space: Namespace, line: CrypttabEntry, container: BootVolume) -> ChainLink:
    means = opened_by(space, line, container)
    if means is None:
        return found(name, f"{line.spec}, which asks for its passphrase")
    if isinstance(means, KeyPlace):
        return found(name, f"{line.spec}, by the key file {means.file.path}")
    if isinstance(unlocking.of_line(line), Helper) and container.remade is None:
        return unknown(name, f"whether it is opened cannot be seen from a card: {line.spec}")
    if means.asks or line.may_fail:
        return lacking(name, means.consequence)
    return space.without(name, means.consequence)
