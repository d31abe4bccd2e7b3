"""Leave out of a rebuild, by the person's own word, files that the store no longer has whole."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from holdstill.model import paths
from holdstill.verify import store as store_check

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.manifest import Manifest
    from holdstill.workflow.ports import Teller
    from holdstill.workflow.rebuild import Source

_NAMES_MAX = 10_000_000


def without_damaged(source: Source, tell: Teller) -> tuple[Source, tuple[str, ...]]:
    """Read every content of a capture; return it without files whose contents are damaged.

    Files that the rebuild gives another content anyway stay.

    Args:
        source: with its contents on this machine.
        tell: is told how far it is.

    Returns:
        The source without them, and their paths on the board, each with what is wrong.
    """
    tell.step("looking for damaged contents")
    gone = {
        place: trouble
        for place, trouble in _damaged(source, tell)
        if place not in source.overlay.files
    }
    overlay = replace(source.overlay, removed=source.overlay.removed | frozenset(gone))
    lines = (
        f"{_on_board(source.manifest, part, path)}: {trouble}"
        for (part, path), trouble in sorted(gone.items())
    )
    return replace(source, overlay=overlay), tuple(lines)


def _damaged(source: Source, tell: Teller) -> Iterator[tuple[tuple[int, bytes], str]]:
    total = sum(part.content_bytes for part in source.manifest.parts)
    done = 0
    for digest, size in source.index.digests():
        trouble = store_check.problem(source.contents, digest, size)
        if trouble:
            yield from (
                (place, trouble) for place in source.index.holders(digest, limit=_NAMES_MAX)
            )
        done += size
        tell.progress(done, total)


def _on_board(manifest: Manifest, number: int, path: bytes) -> str:
    mount = manifest.part(number).mount
    return (
        paths.display(f"{mount.rstrip('/')}/".encode() + path)
        if mount
        else (f"{number}:/{paths.display(path)}")
    )
