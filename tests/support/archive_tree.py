"""A folder of a capture with what archives find hard to hold, and hostile names."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.model import pieces
from holdstill.model.entries import Entry, EntryType, Omitted, Seen
from holdstill.records import index_file
from holdstill.workflow.folder_archive import Folder
from support import contents as making
from support import keeping
from support.contents import MOMENT, FolderContents

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

HOSTILE = (
    b"<svg onload=alert(1)>", b"<img src=x onerror=alert(1)>", b"a\nb", b"\x1b[31mred",
    "\u202egpj.exe".encode(), "\u05d0\u05d1\u05d2".encode(), b"\xff\xfe", b"..\\..\\evil",
    b"C:evil", b"...", b"a.", b"a ", b"CON", b"nul.txt", b"50%25", b"%2e%2e", b"'\"&", b"x" * 255,
    b"{{ 7*7 }}", b"javascript:alert(1)", b"-rf", b"~root",
)  # fmt: skip
"""Names that a file system takes."""
EVIL = b"<script>alert(1)</script>\n</pre><img src=x onerror=alert(1)>\x1b[2J\xe2\x80\xae\xff\ttab"
"""What a file may have in it."""
LARGE = pieces.PIECED_FROM + 10 * pieces.PIECE + 7


def large() -> bytes:
    """Return the bytes of a file that is stored in pieces, most of them holes."""
    data = bytearray(LARGE)
    data[3 * pieces.PIECE : 5 * pieces.PIECE] = os.urandom(2 * pieces.PIECE)
    data[-7:] = b"the end"
    return bytes(data)


def entries(contents: FolderContents) -> list[Entry]:
    """Return all entries: of the folder "top", and something beside it."""
    found = [making.a_folder(path, mode=0o755) for path in (b"", b"top", b"top/in", b"top0")]
    found += [
        making.a_file(contents, b"top/" + name, b"of " + name, mode=0o640) for name in HOSTILE
    ]
    body = making.a_file(contents, b"top/in/first", b"shared", mode=0o600)
    for place in (b"top/in/first", b"top/in/second", b"aside", b"top0/aside"):
        directory, _, name = place.rpartition(b"/")
        found.append(body._replace(directory=directory, name=name, link=77, seen=Seen(77, 0)))
    found += [
        making.a_file(contents, b"top/in/large", large())._replace(sparse=1),
        making.a_file(contents, b"top/old", b"x", mtime_ns=-1_500_000_000),
        making.a_file(contents, b"top/late", b"x", mtime_ns=5_000_000_000_123_456_789),
        making.a_file(contents, b"top/owned", b"x")._replace(
            uid=3_000_000_000,
            gid=7,
            mode=0o4711,
            xattrs={"user.t=1%": b"\0\xffbin", "user.a": b"b"},
        ),
        Entry(b"top", b"empty", EntryType.FILE, mode=0o644, mtime_ns=MOMENT),
        Entry(b"top", b"swap", EntryType.FILE, size=9, omitted=Omitted.SWAP),
        Entry(b"top", b"link", EntryType.SYMLINK, mode=0o777, target=b"../../etc/passwd"),
        Entry(b"top", b"far", EntryType.SYMLINK, mode=0o777, target=b"/" + b"y" * 300 + b"\xff"),
        Entry(b"top", b"disk", EntryType.BLOCK, mode=0o660, rdev=os.makedev(179, 300)),
        Entry(b"top", b"tty", EntryType.CHARACTER, mode=0o620, rdev=os.makedev(5, 1)),
        Entry(b"top", b"pipe", EntryType.FIFO, mode=0o644),
        Entry(b"top", b"sock", EntryType.SOCKET, mode=0o755),
    ]
    return making.in_order(found)


def folder(place: Path) -> Iterator[Folder]:
    """Hold the folder open."""
    contents = FolderContents(place / "contents")
    yield from folder_of(place, contents, entries(contents))


def folder_of(place: Path, contents: FolderContents, listed: Sequence[Entry]) -> Iterator[Folder]:
    """Hold the folder "top" of these entries open."""
    path = keeping.write_index(place / "index", {2: listed})
    with index_file.opened(path) as index:
        top = index.get(2, b"top")
        assert top is not None
    yield Folder(contents, lambda: index_file.opened(path), 2, top, b"top")
