"""All contents that a capture needs: what its manifest names, and what its index names."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

from holdstill.filesystems import content_parts
from holdstill.model import pieces
from holdstill.records import assembled

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdstill.model.manifest import Attachment, Manifest
    from holdstill.model.sealed_capture import ContentSource, IndexedCapture
    from holdstill.records.index_queries import Index


def attachments(manifest: Manifest) -> Iterator[Attachment]:
    """Yield what a manifest names beside the files."""
    yield manifest.index
    yield from beside_index(manifest)


def beside_index(manifest: Manifest) -> Iterator[Attachment]:
    """Yield the same but for the index: bytes of disks that are in no file."""
    yield from manifest.gaps
    yield from itertools.chain(*manifest.boot_areas_by_disk)
    yield from manifest.raws


def distinct(named: Iterable[Attachment]) -> Iterator[Attachment]:
    """Yield one attachment of those that have the same list."""
    yield from {(item.sha256, item.size): item for item in named}.values()


def attached(contents: ContentSource, manifest: Manifest) -> Iterator[tuple[bytes, int]]:
    """Yield (digest, size) of the lists that a manifest names, each once, and of their pieces.

    Raises:
        VerificationError, SecurityError: a list is not there, damaged, or no list.
    """
    for attachment in distinct(attachments(manifest)):
        listed = assembled.read_list(contents, attachment)
        yield bytes.fromhex(attachment.sha256), listed.encoded_size
        yield from listed.pieces()


def listed(contents: ContentSource, index: Index) -> Iterator[tuple[bytes, int]]:
    """Yield (digest, size) of what the files of an index need: contents, lists and pieces.

    Raises:
        VerificationError, SecurityError: a list is not there, damaged, or no list.
    """
    for digest, size in index.digests():
        if not pieces.is_pieced(size):
            yield digest, size
            continue
        found = content_parts.read_list(contents, digest, size)
        yield digest, found.encoded_size
        yield from found.pieces()


def holders(
    contents: ContentSource, index: Index, digest: bytes, limit: int
) -> list[tuple[int, bytes]]:
    """Return (part, path) of files with a content, or with a piece; for reports."""
    found = index.holders(digest, limit)
    for part in () if found else index.parts():
        for entry in index.large(part, pieces.PIECED_FROM):
            listed = content_parts.read_list(contents, entry.digest, entry.size)
            if len(found) < limit and any(piece == digest for piece, _ in listed.pieces()):
                found.append((part, entry.path))
    return found


def needed(capture: IndexedCapture) -> Iterator[tuple[bytes, int]]:
    """Yield (digest, size) of every content that a capture needs; some may come twice.

    Raises:
        VerificationError, SecurityError: the index, or a list, cannot be read.
    """
    yield from attached(capture, capture.manifest())
    with assembled.opened_index(capture) as index:
        yield from listed(capture, index)
