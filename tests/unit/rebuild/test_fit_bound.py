from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from holdstill.model.entries import Entry, EntryType
from holdstill.rebuild import fit
from holdstill.records import index as index_file
from support import ext4_images
from support.contents import in_order

if TYPE_CHECKING:
    from holdstill.model.layout import Ext4

EXT3 = ("has_journal", "ext_attr", "dir_index", "filetype", "sparse_super")
SHAPES = [
    ext4_images.parameters(block_size=4096),
    ext4_images.parameters(block_size=1024),
    ext4_images.parameters(block_size=1024, inode_size=128),
    ext4_images.parameters(block_size=1024, features=EXT3),
    ext4_images.parameters(features=(*ext4_images.FEATURES, "ea_inode")),
]
SIZES = st.one_of(st.integers(0, 9000), st.integers(0, 40 << 20), st.integers(0, 1 << 40))
XATTRS = st.dictionaries(
    st.sampled_from(["user.a", "trusted.b", "security.capability"]),
    st.binary(max_size=5000),
    max_size=2,
)


@st.composite
def trees(draw: st.DrawFn) -> list[Entry]:
    """Draw directories, empty and full ones, with names of one length each."""
    found = [Entry(b"", b"", EntryType.DIRECTORY)]
    for number in range(draw(st.integers(0, 4))):
        folder = b"%d" % number
        found.append(Entry(b"", folder, EntryType.DIRECTORY, xattrs=draw(XATTRS)))
        length = draw(st.integers(5, 255))
        found += (
            Entry(folder, (b"%05d" % name).ljust(length, b"n"), EntryType.FIFO)
            for name in range(draw(st.sampled_from([0, 1, 7, 100, 700])))
        )
    for number, size in enumerate(draw(st.lists(SIZES, max_size=6))):
        file = Entry(b"", b"file-%d" % number, EntryType.FILE, size=size, xattrs=draw(XATTRS))
        found.append(file._replace(link=draw(st.integers(0, 1))))
    for number, length in enumerate(draw(st.lists(st.integers(1, 900), max_size=3))):
        found.append(Entry(b"", b"link-%d" % number, EntryType.SYMLINK, target=b"x" * length))
    return in_order(found)


@given(tree=trees(), parameters=st.sampled_from(SHAPES))
def test_no_tree_takes_more_than_its_sums_say(tree: list[Entry], parameters: Ext4) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "index.sqlite"
        with index_file.created(path) as index:
            index.put_all(1, tree, seq=1)
        with index_file.opened(path) as index:
            sums = index.sums(1, parameters.block_size)

    most = fit.at_most(sums, parameters)

    usage = fit.need(tree, parameters)
    assert usage.blocks <= most.blocks
    assert usage.inodes <= most.inodes
