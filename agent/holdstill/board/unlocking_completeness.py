"""Which encrypted containers would not open by themselves on a rebuilt card, as they do now. Pure.

A rebuild gives a container a passphrase that somebody types, and the key files that are captured.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.board.named_finding import NamedFinding, not_rebuildable
from holdstill.model import system_tables, unlocking
from holdstill.model.layout import Luks
from holdstill.model.unlocking import KeyFile

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.board_facts import BoardFacts, PartFacts
    from holdstill.model.system_tables import CrypttabEntry

_HINT = "somebody types the passphrase at each start of the rebuilt board, or enrols it anew there"


def judge(facts: BoardFacts) -> Iterator[NamedFinding]:
    """Judge what opens the board's containers that would be made again."""
    named = set()
    containers = {
        part.number: part.file_system
        for part in facts.parts
        if isinstance(part.file_system, Luks) and not part.is_left_out
    }
    for line in facts.crypttab:
        part = _led_to(facts, line)
        if part is None or part.number not in containers:
            continue
        named.add(part.number)
        means = unlocking.of_line(line)
        if isinstance(means, KeyFile) and means.path in facts.captured_keys:
            continue
        lost = unlocking.without_file(means, containers[part.number].tokens)
        if lost is not None:
            what = f"{part.device}: {line.name} in crypttab"
            yield not_rebuildable(what, lost.consequence, _HINT, line.name)
    for part in facts.parts:
        luks = containers.get(part.number)
        lost = unlocking.by_tokens(luks.tokens) if luks and part.number not in named else None
        if lost is not None:
            yield not_rebuildable(f"{part.device}: tokens", lost.consequence, _HINT)


def _led_to(facts: BoardFacts, line: CrypttabEntry) -> PartFacts | None:
    """Return the partition or volume that a line is about, if it is captured."""
    number = facts.devices_of.get(line.spec)
    name = system_tables.folded(system_tables.normal_spec(line.spec))
    for part in facts.parts:
        names = {*map(system_tables.folded, part.names), part.device}
        if (number is not None and part.id == number) or name in names:
            return part
    return None
