"""The parameters of an ext2, ext3 or ext4 of another size. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdstill.model.layout import Ext4

JOURNAL_LEAST = 1024
"""Blocks of the smallest journal (mke2fs(8), -J size)."""
USUAL_JOURNALS = (
    (2048, 0), (32 << 10, 1024), (256 << 10, 4096), (512 << 10, 8192), (4 << 20, 16 << 10),
    (8 << 20, 32 << 10), (16 << 20, 64 << 10), (32 << 20, 128 << 10),
)  # fmt: skip
"""Blocks below which mke2fs makes journals of n blocks: 1.47, ext2fs_get_journal_params."""
LARGEST_USUAL_JOURNAL = 256 << 10
_BLOCKS_32BIT = 2**32 - 1


_NOT_REBUILT = {
    "bigalloc": "clusters of blocks (bigalloc)",
    "journal_dev": "a journal for other file systems",
    "shared_blocks": "blocks that belong to several files",
}


def not_rebuilt(features: Iterable[str]) -> str:
    """Return why a file system with these features is not written again; "" when it is."""
    found = [meaning for feature, meaning in _NOT_REBUILT.items() if feature in features]
    return f"an ext4 with {found[0]} cannot be rebuilt file by file" if found else ""


def without_mount_guard(parameters: Ext4) -> Ext4:
    """Return the parameters without the guard against being mounted by two machines (mmp).

    e2fsprogs cannot handle it inside a disk image, and a card has one machine.
    """
    features = tuple(feature for feature in parameters.features if feature != "mmp")
    return msgspec.structs.replace(parameters, features=features)


def least_blocks(parameters: Ext4) -> int:
    """Return how many blocks a file system has at least, so that it has a journal if it should."""
    return 4 * JOURNAL_LEAST if "has_journal" in parameters.features else 64


def resized(parameters: Ext4, *, size: int, inodes: int) -> Ext4:
    """Return the parameters for a size in bytes and a tree that needs this many inodes.

    Inodes and reserved blocks keep their share of the blocks, and there are enough inodes. The
    journal keeps its size, but where the file system shrinks it is no larger than mke2fs would
    make it; one that was on another device is made inside. Everything else stays.
    """
    blocks = size // parameters.block_size
    if "64bit" not in parameters.features:
        blocks = min(blocks, _BLOCKS_32BIT)
    old = max(parameters.blocks, 1)
    journal = parameters.journal_blocks
    if "has_journal" in parameters.features and not journal:
        journal = max(usual_journal(blocks), JOURNAL_LEAST)  # it was on another device
    if blocks < old and journal:
        journal = min(journal, max(usual_journal(blocks), JOURNAL_LEAST))
    return msgspec.structs.replace(
        parameters,
        blocks=blocks,
        inodes=max(parameters.inodes * blocks // old, inodes),
        reserved_blocks=min(parameters.reserved_blocks * blocks // old, blocks // 2),
        journal_blocks=journal,
    )


def usual_journal(blocks: int) -> int:
    """Return the blocks of the journal that mke2fs gives a file system of this many blocks."""
    return next((journal for limit, journal in USUAL_JOURNALS if blocks < limit), 0) or (
        0 if blocks < USUAL_JOURNALS[0][0] else LARGEST_USUAL_JOURNAL
    )


def with_least_journal(parameters: Ext4) -> Ext4:
    """Return the parameters with a journal, if they have one, as small as it can be."""
    return msgspec.structs.replace(parameters, journal_blocks=list(journals(parameters))[-1])


def journals(parameters: Ext4) -> Iterator[int]:
    """Yield the blocks of the journal, and of the usual smaller ones, the largest first."""
    yield parameters.journal_blocks
    if "has_journal" in parameters.features:
        own = parameters.journal_blocks or LARGEST_USUAL_JOURNAL
        yield from (usual for _, usual in reversed(USUAL_JOURNALS) if 0 < usual < own)
