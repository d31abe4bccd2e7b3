"""Whole ext4 partitions made by the writer under test, and what others say of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.filesystems import file_tree
from holdstill.filesystems.ext4 import ext4_reader, ext4_writer
from holdstill.model.layout import Ext4
from holdstill.system import byte_source
from holdstill.system.process import LocalRunner
from support import loop, programs

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from holdstill.filesystems.ext4.ext4_populate import PopulateResult
    from holdstill.model.entries import Entry
    from holdstill.model.sealed_capture import ContentSource

OFFSET = 3 << 20
"""Bytes before the partition in an image."""
MIB = 1 << 20
FEATURES = (
    "has_journal", "ext_attr", "resize_inode", "dir_index", "filetype", "extent", "64bit",
    "flex_bg", "sparse_super", "large_file", "huge_file", "dir_nlink", "extra_isize",
    "metadata_csum",
)  # fmt: skip
VOLATILE = (
    "Filesystem created", "Last write time", "Last checked", "Lifetime writes", "Free blocks",
    "Free inodes", "Checksum", "Last mount time", "Mount count", "Last mounted on",
    "Journal sequence", "Journal start", "Journal checksum", "Project quota inode",
    "Journal features", "Journal checksum type", "Next check after",
)  # fmt: skip
"""Lines of dumpe2fs -h that say when it was made, what is in it, and what mounting it did."""


def parameters(
    *,
    features: tuple[str, ...] = FEATURES,
    size: int = 48 * MIB,
    block_size: int = 4096,
    inode_size: int = 256,
    inodes: int = 4096,
) -> Ext4:
    """Return the parameters of a plain file system."""
    return Ext4(
        uuid="3e6be9de-8139-11d1-9106-a43f08d823a6",
        label="jetty",
        block_size=block_size,
        blocks=size // block_size,
        inode_size=inode_size,
        inodes=inodes,
        features=features,
        hash_seed="01234567-89ab-cdef-0123-456789abcdef",
        reserved_blocks=77,
        errors="remount-ro",
        mount_defaults=("user_xattr", "acl"),
        mount_opts="commit=60,barrier=1",
        journal_blocks=4 * MIB // block_size if "has_journal" in features else 0,
    )


def write(
    target: Path,
    entries: Sequence[Entry],
    contents: ContentSource,
    wanted: Ext4,
    *,
    offset: int = OFFSET,
    heads: Mapping[bytes, bytes] | None = None,
) -> PopulateResult:
    """Make, fill and finish an ext4 at an offset in an image or a device."""
    machine = LocalRunner()
    size = wanted.blocks * wanted.block_size
    written = ext4_writer.write(
        target, offset=offset, size=size, parameters=wanted, entries=entries, contents=contents,
        machine=machine, heads=heads,
    )  # fmt: skip
    ext4_writer.finish(target, offset=offset, parameters=wanted, machine=machine)
    return written.filled


def image(
    path: Path,
    entries: Sequence[Entry],
    contents: ContentSource,
    wanted: Ext4,
    *,
    heads: Mapping[bytes, bytes] | None = None,
) -> Path:
    """Write an ext4 behind OFFSET into a new image with a little room at the end."""
    size = wanted.blocks * wanted.block_size
    loop.blank_image(path, size=OFFSET + size + MIB)
    write(path, entries, contents, wanted, heads=heads)
    return path


def read(target: Path, wanted: Ext4, *, offset: int = OFFSET) -> list[Entry]:
    """Read the tree back with our own reader, contents hashed."""
    with byte_source.opened(target) as whole:
        part = whole.window(offset, wanted.blocks * wanted.block_size)
        return list(ext4_reader.Ext4Reader(part).entries(file_tree.Content.HASHED))


def header(target: Path, *, offset: int = OFFSET, everything: bool = False) -> dict[str, str]:
    """Return what dumpe2fs says of a file system, except what changes from one to the next."""
    left_out = () if everything else VOLATILE
    said = programs.run("dumpe2fs", "-h", at(target, offset)).decode(errors="backslashreplace")
    pairs = (line.partition(":") for line in said.splitlines() if ":" in line)
    return {key.strip(): value.strip() for key, _, value in pairs if key.strip() not in left_out}


def debugfs(target: Path, request: str, *, offset: int = OFFSET) -> bytes:
    """Return what debugfs says to a request."""
    return programs.run("debugfs", "-R", request, at(target, offset))


def at(target: Path, offset: int) -> str:
    """Name a file system inside an image as e2fsprogs wants it."""
    return f"{target}?offset={offset}" if offset else str(target)
