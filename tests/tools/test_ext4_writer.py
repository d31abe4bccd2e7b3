"""The ext4 writer on plain files: what it made is judged by e2fsprogs and by our own reader."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import VerificationError
from holdstill.formats import ext4 as reader
from holdstill.formats import source, tree
from holdstill.model import layout
from holdstill.model.entries import Entry, differences
from holdstill.rebuild.writers import ext4
from holdstill.system.process import LocalRunner
from support import loop, programs
from support.contents import FolderContents, a_file, a_folder, in_order

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

OFFSET = 3 << 20
MIB = 1 << 20
EXT4 = (
    "has_journal", "ext_attr", "resize_inode", "dir_index", "filetype", "extent", "64bit",
    "flex_bg", "sparse_super", "large_file", "huge_file", "dir_nlink", "extra_isize",
    "metadata_csum",
)  # fmt: skip
EXT2 = ("ext_attr", "resize_inode", "dir_index", "filetype", "sparse_super", "large_file")


def parameters(
    *,
    features: tuple[str, ...] = EXT4,
    size: int = 48 * MIB,
    block_size: int = 4096,
    inode_size: int = 256,
    inodes: int = 4096,
) -> layout.Ext4:
    return layout.Ext4(
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
        mount_opts="commit=60",
        journal_blocks=4 * MIB // block_size if "has_journal" in features else 0,
    )


def rebuilt(
    folder: Path,
    entries: Iterable[Entry],
    contents: FolderContents,
    wanted: layout.Ext4,
    *,
    heads: dict[bytes, bytes] | None = None,
) -> Path:
    """Write a whole file system behind OFFSET into an image and return the image."""
    size = wanted.blocks * wanted.block_size
    image = loop.blank_image(folder / "card.img", size=OFFSET + size + MIB)
    machine = LocalRunner()
    listed = in_order(entries)
    ext4.make(image, offset=OFFSET, size=size, parameters=wanted, machine=machine)
    ext4.fill(image, offset=OFFSET, entries=lambda: listed, contents=contents, heads=heads)
    ext4.finish(image, offset=OFFSET, parameters=wanted, machine=machine)
    return image


def read_back(image: Path, wanted: layout.Ext4) -> list[Entry]:
    with source.opened(image) as whole:
        part = whole.window(OFFSET, wanted.blocks * wanted.block_size)
        return list(reader.Ext4(part).entries(tree.Content.HASHED))


def debugfs(image: Path, request: str) -> bytes:
    return programs.run("debugfs", "-R", request, f"{image}?offset={OFFSET}")


def a_small_tree(contents: FolderContents) -> list[Entry]:
    return [
        a_folder(b"", mode=0o755),
        a_folder(b"lost+found", mode=0o700),
        a_folder(b"var", mode=0o755),
        a_file(contents, b"var/readings", b"1.42 m\n" * 4000, mode=0o640),
        a_file(contents, b"var/empty", b"", mode=0o4711),
    ]


def test_what_the_reader_finds_is_what_was_given(tmp_path: Path) -> None:
    contents, wanted = FolderContents(tmp_path / "contents"), parameters()
    entries = a_small_tree(contents)

    image = rebuilt(tmp_path, entries, contents, wanted)

    assert list(differences(in_order(entries), read_back(image, wanted))) == []


def test_a_content_that_was_altered_is_named(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    entries = a_small_tree(contents)
    digest = hashlib.sha256(b"1.42 m\n" * 4000).hexdigest()
    (contents.folder / digest).write_bytes(b"1.43 m\n" * 4000)

    with pytest.raises(VerificationError, match=r"'var/readings'.*another SHA-256"):
        rebuilt(tmp_path, entries, contents, parameters())
