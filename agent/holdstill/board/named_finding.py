"""A finding, and all the names by which the owner may mean it. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from holdstill.model.finding import Finding, FindingKind


@dataclass(frozen=True)
class NamedFinding:
    """A finding, and further names by which `leave_out` may mean it."""

    finding: Finding
    names: tuple[str, ...] = ()


def missing(what: str, why: str, hint: str, *names: str) -> NamedFinding:
    """Return a finding of something that is not in the capture."""
    return _named(FindingKind.MISSING, what, why, hint, names)


def not_rebuildable(what: str, why: str, hint: str, *names: str) -> NamedFinding:
    """Return a finding of something that a rebuilt card would not have as it was."""
    return _named(FindingKind.NOT_REBUILDABLE, what, why, hint, names)


def left_out(what: str, why: str, *names: str) -> NamedFinding:
    """Return a finding of something that is left out unless the owner asks for it."""
    finding = Finding(kind=FindingKind.LEFT_OUT, what=_text(what), why=_text(why))
    return NamedFinding(finding, names)


def _named(
    kind: FindingKind, what: str, why: str, hint: str, names: tuple[str, ...]
) -> NamedFinding:
    word = f"if the board can do without, write it into `leave_out` of its settings: {what}"
    whole = f"{hint}; {word}" if hint else word
    finding = Finding(kind=kind, what=_text(what), why=_text(why), hint=_text(whole))
    return NamedFinding(finding, names)


def _text(words: str) -> str:
    """Write bytes that are no UTF-8, which mounts and fstab may have, so that they can be kept."""
    return words.encode(errors="surrogateescape").decode(errors="backslashreplace")
