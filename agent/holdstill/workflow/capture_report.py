"""The report of a capture run."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from holdstill.model import tree_views
from holdstill.model.finding import Finding, serious
from holdstill.model.layout import Record

if TYPE_CHECKING:
    from holdstill.model.manifest import CapturedPart


class PartReport(Record, frozen=True, kw_only=True):
    """One partition, or subvolume, in the report; label is what people call it."""

    number: int
    label: str
    place: str
    kind: str
    grade: str
    detection: str
    large_files: str
    large_files_why: str
    entries: int
    files: int
    content_bytes: int


class CaptureReport(Record, frozen=True, kw_only=True):
    """One run that sealed a capture.

    Attributes:
        frozen_ms, window_ms: the frozen span, and the pause window around it.
        hashed_bytes: read and hashed on the board.
        wire_bytes: what went over the wire in bulk (rsync's own count).
        new_bytes: what was new in the store.
        compressed_bytes, compressed_wire: contents that were compressed on their way because a
            sample became smaller, or by the settings; and what rsync sent of them.
        seconds: the whole run.
        findings: what of the board is not in it or cannot be rebuilt, or is left out.
        warnings: what else needs attention; notes: what is only worth knowing.
    """

    board: str
    name: str
    seq: int
    parts: tuple[PartReport, ...]
    frozen_ms: float
    window_ms: float
    rounds: int
    spool_bytes: int
    hashed_bytes: int
    wire_bytes: int
    new_bytes: int
    compressed_bytes: int = 0
    compressed_wire: int = 0
    seconds: float
    findings: tuple[Finding, ...] = ()
    warnings: tuple[str, ...]
    notes: tuple[str, ...] = ()

    @property
    def attention(self) -> tuple[str, ...]:
        """All that needs attention although the capture is sealed, what is missing first."""
        return (*(found.sentence for found in serious(self.findings)), *self.warnings)

    @property
    def is_degraded(self) -> bool:
        """Whether something needs attention although the capture is sealed."""
        return bool(self.attention)


def part_report(part: CapturedPart) -> PartReport:
    """Summarise one partition of a manifest."""
    words = msgspec.to_builtins(part.file_system)
    return PartReport(
        number=part.number,
        label=part.label,
        place=tree_views.words(part.seen),
        kind=str(words.get("type") or words["kind"]),
        grade=part.grade,
        detection=part.detection,
        large_files=part.large_files,
        large_files_why=part.large_files_why,
        entries=part.entries,
        files=part.files,
        content_bytes=part.content_bytes,
    )
