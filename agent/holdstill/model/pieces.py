"""A part of a file that is stored in pieces."""

from __future__ import annotations

from typing import NamedTuple


class Part(NamedTuple):
    """A piece, or a run of holes.

    Attributes:
        offset, length: where it lies in the file, bytes.
        digest: SHA-256 of its bytes, 32 bytes; b"" for a hole.
    """

    offset: int
    length: int
    digest: bytes
