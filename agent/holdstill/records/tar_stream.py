"""Members of a tar archive, as they are streamed: the pax format (POSIX.1-2017, XCU pax).

Extended attributes are SCHILY.xattr records, and holes are kept as GNU tar's pax format 1.0 does
it ("Storing Sparse Files" in its manual), which bsdtar and Python's tarfile read as well.
"""

from __future__ import annotations

import os
import tarfile
from typing import TYPE_CHECKING, NamedTuple

from holdstill.model.entries import EntryType

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from holdstill.model.entries import Entry

BLOCK = 512
END = bytes(2 * BLOCK)
"""What ends an archive."""
_SECOND = 1_000_000_000
_MTIME_MOST = 0o77777777777
"""Seconds that the field of a plain header holds."""
_TYPES = {
    EntryType.FILE: tarfile.REGTYPE,
    EntryType.DIRECTORY: tarfile.DIRTYPE,
    EntryType.SYMLINK: tarfile.SYMTYPE,
    EntryType.CHARACTER: tarfile.CHRTYPE,
    EntryType.BLOCK: tarfile.BLKTYPE,
    EntryType.FIFO: tarfile.FIFOTYPE,
}


class Region(NamedTuple):
    """A range of a file that is no hole, in bytes."""

    offset: int
    length: int


def can_hold(entry: Entry) -> bool:
    """Return whether the format has such entries."""
    return entry.type in _TYPES


def header(name: bytes, entry: Entry) -> bytes:
    """Return the header of a member; of a file, its bytes and their padding come next."""
    info = _info(name, entry)
    info.type = _TYPES[entry.type]
    info.size = entry.size
    info.linkname = _text(entry.target)
    info.devmajor, info.devminor = os.major(entry.rdev), os.minor(entry.rdev)
    return _written(info)


def link_header(name: bytes, entry: Entry, first: bytes) -> bytes:
    """Return a member that is another name of one before it; first: what that is called."""
    info = _info(name, entry)
    info.type, info.linkname = tarfile.LNKTYPE, _text(first)
    return _written(info)


def sparse_header(
    name: bytes, entry: Entry, regions: Callable[[], Iterable[Region]]
) -> Iterator[bytes]:
    """Yield the header of a file with holes, and where its bytes are; these come next.

    Args:
        name: of the member.
        entry: of the file.
        regions: gives all that is no hole, in order, each time it is asked.
    """
    count = stored = digits = 0
    for region in regions():
        count, stored = count + 1, stored + region.length
        digits += len(_numbers(region))
    lines = len(b"%d\n" % count) + digits
    info = _info(name, entry)
    folder, _, last = name.rpartition(b"/")
    info.name = _text(folder + b"/GNUSparseFile.0/" + last)
    info.size = lines + padding(lines) + stored
    info.pax_headers = {
        **info.pax_headers,
        "GNU.sparse.major": "1", "GNU.sparse.minor": "0", "GNU.sparse.name": _text(name),
        "GNU.sparse.realsize": str(entry.size),
    }  # fmt: skip
    yield _written(info)
    yield b"%d\n" % count
    for region in regions():
        yield _numbers(region)
    yield bytes(padding(lines))


def padding(size: int) -> int:
    """Return how many zeros follow as many bytes of a member."""
    return -size % BLOCK


def _numbers(region: Region) -> bytes:
    return b"%d\n%d\n" % region


def _info(name: bytes, entry: Entry) -> tarfile.TarInfo:
    info = tarfile.TarInfo(_text(name))
    info.mode, info.uid, info.gid = entry.mode, entry.uid, entry.gid
    seconds, rest = divmod(entry.mtime_ns, _SECOND)
    info.mtime = min(max(seconds, 0), _MTIME_MOST)
    records = {}
    if rest or info.mtime != seconds:
        records["mtime"] = _decimal(entry.mtime_ns)
    for attribute, value in entry.xattrs.items():
        # As GNU tar writes them: a keyword ends at the first "=" (its xheader.c, from memory).
        keyword = attribute.replace("%", "%25").replace("=", "%3D")
        records[f"SCHILY.xattr.{keyword}"] = _text(value)
    info.pax_headers = records
    return info


def _decimal(nanoseconds: int) -> str:
    seconds, rest = divmod(abs(nanoseconds), _SECOND)
    return f"{'-' if nanoseconds < 0 else ''}{seconds}.{rest:09}"


def _text(raw: bytes) -> str:
    return raw.decode(errors="surrogateescape")


def _written(info: tarfile.TarInfo) -> bytes:
    return info.tobuf(tarfile.PAX_FORMAT, "utf-8", "surrogateescape")
