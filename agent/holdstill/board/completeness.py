"""Whether all that a board mounts and boots from is in a capture and could be rebuilt. Pure.

It judges facts. What cannot be told apart is told, and never passed over.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from msgspec import structs

from holdstill.board import disk_completeness, part_completeness, unlocking_completeness
from holdstill.board.named_finding import NamedFinding, missing
from holdstill.model import path_pattern
from holdstill.model.finding import Finding, FindingKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.board.board_facts import BoardFacts


@dataclass(frozen=True)
class Completeness:
    """What the check has to say.

    Attributes:
        findings: what is missing, cannot be rebuilt, or is left out by the owner's word.
        not_needed: mounts that nothing needs, in words.
        unused: what `leave_out` names, and no finding is about.
    """

    findings: tuple[Finding, ...]
    not_needed: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()


def judge(facts: BoardFacts, leave_out: Sequence[str] = ()) -> Completeness:
    """Judge a board's facts.

    Args:
        facts: what is known of the board.
        leave_out: what the owner leaves out: mount points, devices, or as a finding calls it;
            with `*`, `?` and `[...]` as in a shell.
    """
    elsewhere = disk_completeness.judge(facts)
    doubts = (missing(doubt.what, doubt.why, "") for doubt in facts.doubts)
    parts = (*part_completeness.judge(facts), *unlocking_completeness.judge(facts))
    named = (*elsewhere.findings, *parts, *doubts)
    judged = [(one, _words_for(one, leave_out)) for one in named]
    used = {word for _, words in judged for word in words}
    return Completeness(
        findings=tuple(dict.fromkeys(_by_owner(one) if words else one.finding
                                     for one, words in judged)),
        not_needed=elsewhere.not_needed,
        unused=tuple(word for word in leave_out if word not in used),
    )  # fmt: skip


def _words_for(one: NamedFinding, leave_out: Sequence[str]) -> list[str]:
    """Return the words of the owner that mean a finding."""
    names = (one.finding.what, *one.names)
    return [word for word in leave_out if word in names or any(is_meant(word, n) for n in names)]


def is_meant(word: str, name: str) -> bool:
    """Whether a word of the owner means a name, as it is or as a pattern."""
    pattern = path_pattern.compiled(word.encode(errors="surrogateescape"))
    return pattern.fullmatch(name.encode(errors="surrogateescape")) is not None


def _by_owner(one: NamedFinding) -> Finding:
    return structs.replace(one.finding, kind=FindingKind.LEFT_OUT, hint="")
