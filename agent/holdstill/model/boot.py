"""What a boot check comes to."""

from __future__ import annotations

from enum import StrEnum

from holdstill.model.layout import Record


class BootVerdict(StrEnum):
    """Whether what a boot needs is there, as far as files and sectors can tell."""

    WHOLE = "whole"
    BROKEN = "broken"
    UNKNOWN = "unknown"
    """No way to boot that we know: a board with a loader of its own, or no boot disk; or nothing
    is missing as far as anybody looked, and nobody can look into what the system is on."""


class BootFinding(Record, frozen=True, kw_only=True):
    """What a boot check of a capture found.

    Attributes:
        lacking: what is missing, in words, where the verdict is broken; the first ones.
    """

    verdict: BootVerdict
    lacking: tuple[str, ...] = ()
