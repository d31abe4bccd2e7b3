"""Secrets that a board has, and a search for them wherever they should not be."""

from __future__ import annotations

import mmap
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.model.entries import Entry, EntryType
from support.contents import MOMENT, a_file, a_folder

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from support.contents import FolderContents


@dataclass(frozen=True)
class Secrets:
    """Twenty words that no other file has: of contents, names, attributes, and one passphrase."""

    contents: tuple[bytes, ...] = tuple(b"content-%02d-of-the-harbour" % n for n in range(8))
    names: tuple[bytes, ...] = tuple(b"name-%02d-of-the-harbour" % n for n in range(6))
    attributes: tuple[bytes, ...] = tuple(b"attribute-%02d-of-the-harbour" % n for n in range(4))
    link: bytes = b"where-the-harbour-link-leads"
    passphrase: bytes = b"passphrase-of-the-harbour"

    def all(self) -> tuple[bytes, ...]:
        """Return all of them."""
        return (*self.contents, *self.names, *self.attributes, self.link, self.passphrase)

    def entries(self, contents: FolderContents, folder: bytes) -> tuple[Entry, ...]:
        """Return files that have them all but the passphrase, below a folder."""
        made = [a_folder(folder)]
        for number, content in enumerate(self.contents):
            # One of them is not small: it is copied by other ways.
            one = a_file(contents, folder + b"/f%d" % number, content * (20_000 if number else 1))
            attribute = self.attributes[number % len(self.attributes)]
            made.append(one._replace(xattrs={"user.s": attribute}))
        made += [a_file(contents, folder + b"/" + name, b"x") for name in self.names]
        made.append(
            Entry(
                folder, b"link", EntryType.SYMLINK, 0o777, mtime_ns=MOMENT, target=self.link
            )
        )  # fmt: skip
        return tuple(made)


def found_in(places: Iterable[Path], secrets: Iterable[bytes]) -> list[str]:
    """Return where which secret is: in a file's bytes, its name, or its path.

    Args:
        places: files, and folders with all that is below.
        secrets: that are looked for.
    """
    wanted = tuple(secrets)
    return [
        f"{secret!r} in {path}"
        for place in places
        for path in (place, *_below(place))
        for secret in wanted
        if secret in os.fsencode(path) or _holds(path, secret)
    ]


def _below(place: Path) -> Iterator[Path]:
    for folder, folders, files in os.walk(place):
        yield from (Path(folder, name) for name in (*folders, *files))


def _holds(path: Path, secret: bytes) -> bool:
    if not path.is_file() or path.is_symlink() or path.stat().st_size == 0:
        return False
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        return content.find(secret) >= 0
