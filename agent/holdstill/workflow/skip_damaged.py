"""Leaves files that are damaged in the store out of a rebuild, on request."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from holdstill.verify import store_check

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.workflow.ports import Progress
    from holdstill.workflow.rebuild_source import RebuildSource

_NAMES_MAX = 10_000_000


Trouble = Mapping[tuple[int, bytes], str]
"""What is wrong with the contents of files, by partition and path."""


def damaged(source: RebuildSource, progress: Progress) -> Trouble:
    """Read every content of a capture, which is on this machine, and name the damaged files."""
    progress.step("looking for damaged contents")
    return dict(_damaged(source, progress))


def without(source: RebuildSource, gone: Trouble) -> RebuildSource:
    """Return a source without these files; a sibling made of it has some of them again."""
    lost = source.overlay.lost.union(gone)
    return replace(source, overlay=replace(source.overlay, lost=lost))


def described(source: RebuildSource, gone: Trouble) -> tuple[str, ...]:
    """Return the paths on the board of those that a source lacks, each with what is wrong."""
    return tuple(
        f"{store_check.on_board(source.manifest, part, path)}: {trouble}"
        for (part, path), trouble in sorted(gone.items())
        if (part, path) in source.overlay.lost
    )


def _damaged(source: RebuildSource, progress: Progress) -> Iterator[tuple[tuple[int, bytes], str]]:
    total = sum(part.content_bytes for part in source.manifest.parts)
    done = 0
    for digest, size in source.index.digests():
        trouble = store_check.file_problem(source.capture, digest, size)
        if trouble:
            yield from (
                (place, trouble) for place in source.index.holders(digest, limit=_NAMES_MAX)
            )
        done += size
        progress.update(done, total)
