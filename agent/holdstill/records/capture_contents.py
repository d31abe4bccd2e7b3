"""All contents that a capture needs: what its manifest names, and what its index names."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.records import assembled

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator

    from holdstill.model.manifest import Attachment, Manifest
    from holdstill.model.sealed_capture import IndexedCapture, PieceSource
    from holdstill.records.index_queries import Index


def attachments(manifest: Manifest) -> Iterator[Attachment]:
    """Yield what a manifest names beside the files."""
    yield manifest.index
    if manifest.gap is not None:
        yield manifest.gap
    yield from manifest.raws


def attached(contents: PieceSource, manifest: Manifest) -> Iterator[tuple[bytes, int]]:
    """Yield (digest, size) of the lists that a manifest names, and of their pieces.

    Raises:
        VerificationError, SecurityError: a list is not there, damaged, or no list.
    """
    for attachment in attachments(manifest):
        listed = assembled.read_list(contents, attachment)
        yield bytes.fromhex(attachment.sha256), len(listed.encode())
        yield from listed.pieces()


def needed(capture: IndexedCapture) -> Iterator[tuple[bytes, int]]:
    """Yield (digest, size) of every content that a capture needs; some may come twice.

    Raises:
        VerificationError, SecurityError: the index, or a list, cannot be read.
    """
    yield from attached(capture, capture.manifest())
    with assembled.opened_index(capture) as index:
        yield from of_files(index)


def of_files(index: Index) -> Generator[tuple[bytes, int], None, None]:
    """Yield (digest, size) of every content that the files of an index need.

    Who does not take all closes it before the index.
    """
    yield from index.digests()
