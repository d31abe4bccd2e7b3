"""What is in an f2fs, read from its blocks; shares nothing with the product.

The layout of inodes and nodes: Linux include/linux/f2fs_fs.h, struct f2fs_inode and
struct direct_node. Where a node lies: dump.f2fs -n, from the node address table.
"""

from __future__ import annotations

import re
import struct
from itertools import islice
from typing import TYPE_CHECKING, NamedTuple

from support import programs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    Read = Callable[[int], bytes]

BLOCK = 4096
ROOT = 3
_INLINE_XATTR, _INLINE_DATA, _INLINE_DENTRY = 0x01, 0x02, 0x04
_ADDRESSES, _OF_XATTR, _IN_NODE = 923, 50, 1018
_NEW = 0xFFFFFFFF
"""NEW_ADDR: a block that is promised and not written; reads as zeros."""


class Node(NamedTuple):
    """One inode.

    Attributes:
        links: how many names it says that it has.
        holes: blocks of the content that are nowhere.
    """

    mode: int
    uid: int
    gid: int
    links: int
    seconds: int
    nanoseconds: int
    has_xattrs: bool
    flags: int
    content: bytes
    holes: int


def read(image: Path, folder: Path) -> dict[bytes, Node]:
    """Return every inode by the path under which it was made; a second name is not listed."""
    programs.run("env", "-C", folder, "dump.f2fs", "-n", "0~-1", image)  # it writes to where it is
    said = (folder / "dump_nat").read_text(encoding="ascii")
    found = re.findall(r"nid:\s*(\d+)\s+ino:\s*(\d+)\s+offset:\s*\d+\s+blkaddr:\s*(\d+)", said)
    places = {int(nid): int(place) for nid, _, place in found}
    inodes = {int(ino) for _, ino, _ in found if int(ino) >= ROOT}
    with image.open("rb") as raw:

        def block(place: int) -> bytes:
            if place in {0, _NEW}:
                return bytes(BLOCK)
            raw.seek(place * BLOCK)
            return raw.read(BLOCK)

        blocks = {ino: block(places[ino]) for ino in inodes if places.get(ino)}
        nodes = {}
        for ino, inode in blocks.items():
            assert struct.unpack_from("<II", inode, 4072) == (ino, ino)  # the footer
            nodes[_path(ino, blocks)] = _node(inode, lambda nid: block(places[nid]), block)
    return nodes


def _path(ino: int, blocks: dict[int, bytes]) -> bytes:
    names: list[bytes] = []
    while ino != ROOT:
        above, length = struct.unpack_from("<II", blocks[ino], 84)
        names.insert(0, blocks[ino][92 : 92 + length])
        ino = above
    return b"/".join(names)


def _node(inode: bytes, node: Read, block: Read) -> Node:
    mode, _, inline, uid, gid, links, size = struct.unpack_from("<HBBIIIQ", inode)
    (seconds,) = struct.unpack_from("<q", inode, 48)
    (nanoseconds,) = struct.unpack_from("<I", inode, 64)
    xattr_nid, flags = struct.unpack_from("<II", inode, 76)
    room = _ADDRESSES - (_OF_XATTR if inline & _INLINE_XATTR else 0)
    inline_xattr = any(inode[360 + room * 4 : 4052]) if inline & _INLINE_XATTR else False
    content, holes = b"", 0
    if mode & 0o170000 != 0o040000:
        if inline & _INLINE_DATA:
            content = inode[364 : 364 + size]
        else:
            places = list(islice(_addresses(inode, room, node), -(-size // BLOCK)))
            holes = places.count(0)
            whole = b"".join(map(block, places))
            content = whole[:size].ljust(size, b"\0")
    return Node(
        mode,
        uid,
        gid,
        links,
        seconds,
        nanoseconds,
        bool(xattr_nid) or inline_xattr,
        flags,
        content,
        holes,
    )


def _addresses(inode: bytes, room: int, node: Read) -> Iterator[int]:
    yield from struct.unpack_from(f"<{room}I", inode, 360)
    for depth, nid in zip((0, 0, 1, 1, 2), struct.unpack_from("<5I", inode, 4052), strict=True):
        if nid:
            yield from _below(nid, depth, node)


def _below(nid: int, depth: int, node: Read) -> Iterator[int]:
    numbers = struct.unpack_from(f"<{_IN_NODE}I", node(nid))
    if depth == 0:
        yield from numbers
        return
    for number in numbers:
        if number:
            yield from _below(number, depth - 1, node)
