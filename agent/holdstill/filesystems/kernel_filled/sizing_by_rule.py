"""How much room surely does for a tree in an xfs or btrfs made with default parameters. Pure.

A rule, not a count: contents in blocks of 4 KiB, an allowance for every entry, and what the file
system takes for itself, where the tools of Debian 12 refuse to make a smaller one anyway (xfs 300
MiB, btrfs 109). Found by bisection on small trees: that of xfs is up to 4 % above what is needed;
that of btrfs 17 % for large files, and more for many small ones, as its chunks are not counted.
Where a target has less room than that, `sizing_by_trial` finds out how much is needed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from holdstill.filesystems import content_parts
from holdstill.model import pieces
from holdstill.model.entries import XFLAG_EXTENT_SIZE, EntryType, Omitted
from holdstill.model.layout import Need
from holdstill.model.sizes import MIB, align_up

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.model.entries import Entry
    from holdstill.model.layout import Other
    from holdstill.model.sealed_capture import ContentSource

BLOCK = 4096
BESIDE_INODE = 200
"""Bytes of extended attributes that surely fit beside an inode; others take a block."""


class SizeRule(NamedTuple):
    """What one kind of file system takes.

    Attributes:
        least: bytes below which its mkfs refuses.
        fixed: bytes that it takes for itself.
        share: 1/share of the contents goes to its tables and to what it keeps back.
        entry: bytes for each entry, beside its name.
    """

    least: int
    fixed: int
    share: int
    entry: int


RULES = {
    "xfs": SizeRule(300 * MIB, 80 * MIB, 20, 608),
    "btrfs": SizeRule(110 * MIB, 128 * MIB, 10, 4096),
}
_UNKNOWN = SizeRule(300 * MIB, 128 * MIB, 10, 4096)


def need(
    entries: Iterable[Entry], parameters: Other, *, contents: ContentSource | None = None
) -> Need:
    """Return what entries need.

    Args:
        entries: the tree.
        parameters: of the file system that is to hold it.
        contents: to find the long holes of sparse files; without it they count in full.
    """
    rule = RULES.get(parameters.type, _UNKNOWN)
    count = filled = names = 0
    links: set[int] = set()
    for entry in entries:
        names += len(entry.name)
        count += 1
        if sum(map(len, entry.xattrs.values())) > BESIDE_INODE:
            filled += BLOCK
        if entry.type is EntryType.FILE and entry.link not in links:
            filled += _filled(entry, contents)
        if entry.link:
            links.add(entry.link)
    wanted = rule.fixed + filled + filled // rule.share + count * rule.entry + names
    return Need(0, align_up(max(rule.least, wanted), MIB))


def _filled(entry: Entry, contents: ContentSource | None) -> int:
    """Return the bytes of a file's blocks; not of whole pieces that are holes."""
    whole = align_up(entry.size, BLOCK)
    is_read = entry.sparse and entry.omitted is Omitted.NOTHING and pieces.is_pieced(entry.size)
    if not is_read or contents is None:
        return whole
    parts = content_parts.read_list(contents, entry.digest, entry.size).parts()
    unit = _unit(entry)
    return min(whole, sum(align_up(part.length, unit) for part in parts if part.digest))


def _unit(entry: Entry) -> int:
    """Return the bytes that data between holes takes; the kernel refuses what are no blocks."""
    size = entry.xflags.extent_size if entry.xflags.xflags & XFLAG_EXTENT_SIZE else 0
    return size if size and size % BLOCK == 0 else BLOCK
