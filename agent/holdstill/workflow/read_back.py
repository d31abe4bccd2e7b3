"""Reads a written target back by other code, and finds out whose fault a difference is."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from holdstill.errors import LinkError
from holdstill.filesystems import writer_input
from holdstill.verify import card_check

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from holdstill.model.layout import Disk, FileSystem
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.rebuild.rebuild_target import Target
    from holdstill.records.index_queries import Index
    from holdstill.verify.card_report import CardReport
    from holdstill.workflow.rebuild_dependencies import RebuildDependencies
    from holdstill.workflow.rebuild_source import RebuildSource


def check(
    target: Target,
    source: RebuildSource,
    disk: Disk,
    contents: ContentSource,
    outside: RebuildDependencies,
    *,
    file_systems: Mapping[int, FileSystem],
    inside: Path | None = None,
) -> CardReport:
    """Compare what the medium gives back with the capture.

    Args:
        target: whatever memory held of it was dropped before.
        source: what should be on it.
        disk: the planned layout.
        contents: where the contents were read.
        outside: machine and progress.
        file_systems: their parameters as they were made, by partition.
        inside: a file with what was encrypted, at its place; whether the medium has that is
            checked by whoever has the key.

    Raises:
        VerificationError: something differs; the error names the store or the card.
    """
    stated = source.manifest.gap
    gap = source.boot_gap(stated) if stated else ()
    total = sum(part.content_bytes for part in source.manifest.parts)
    report = card_check.check_contents(
        target.path, source.manifest, disk=disk, expected=source.entries,
        file_systems=file_systems, gap=gap, machine=outside.machine,
        progress=lambda done: outside.progress.update(done, total), inside=inside,
    )  # fmt: skip
    _check_stored(contents, report, source.index)
    report.raise_if_different()
    return report


def _check_stored(contents: ContentSource, report: CardReport, index: Index) -> None:
    """Raise if it was the store that had other bytes: no other card would help then.

    What cannot be checked now, such as over a link that is gone, counts as the card's fault.
    """
    lost = []
    for digest, path in report.altered:
        with suppress(OSError, LinkError):
            if not writer_input.is_stored(contents, digest, _size_of(digest, index)):
                lost.append(path)
    if not lost:
        return
    others = report.total - len(lost)
    more = f"; nor are {len(lost) - 1} others" if len(lost) > 1 else ""
    card = f"; and in {others} other places the card itself differs" if others else ""
    raise writer_input.not_the_content_of(lost[0], f"{writer_input.OTHER_BYTES}{more}{card}")


def _size_of(digest: str, index: Index) -> int:
    """Return the size of the files with a content; 0 for one of our own, which is small."""
    with suppress(ValueError):  # no digest: it was another kind of difference
        for part, path in index.holders(bytes.fromhex(digest), limit=1):
            entry = index.get(part, path)
            return entry.size if entry else 0
    return 0
