"""Repair of a store: contents whose bytes went bad on the disk.

A spare copy of the same content heals the first at once. Otherwise the bad file is taken out of
content/, so that the store lacks it: the next capture that needs it makes the board send it
again. When it is back, the trees of older captures are pointed to the good file too. A marker
in STORE/damaged/ remembers what is still to be done, over any interruption.
"""

from __future__ import annotations

import os
from enum import StrEnum
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.keeper import capture_tree_ahead
from holdstill.model import names
from holdstill.records import index_file
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.keeper.content_store import ContentLinks
    from holdstill.keeper.store import Store
    from holdstill.model.names import Digest

_HOLDERS_MAX = 10_000_000


class RepairResult(StrEnum):
    """What became of a content that was reported as bad."""

    SOUND = "sound"
    """It is good after all: another disk cache, another day, or repaired already."""
    HEALED = "healed"
    """A spare copy took its place."""
    AWAITED = "awaited"
    """It was taken out; the board is asked for it at its next capture."""


def repair(store: Store, digest: Digest) -> RepairResult:
    """Do for one content what can be done here and now."""
    with store.alone_with_contents():
        group = [held for held in store.contents.shard(digest[:2]) if held.digest == digest]
        good = [held for held in group if is_good(held)]
        first = store.contents.path(digest)
        if any(held.path == first for held in good):
            return RepairResult.SOUND
        for board in store.boards():
            capture_tree_ahead.clear(store, board)  # its links are to the bad file
        folder = _folder(store)
        if not folder.is_dir():
            store.disk.make_directory(folder)
        if not (folder / digest).exists():
            store.disk.create(folder / digest, b"")
        store.disk.sync_directory(folder)
        for held in group:
            if held not in good:
                # Take a bad file out of content/; its bytes are kept elsewhere, for who wants to
                # look.
                if held.links > 1:
                    store.disk.unlink(held.path)  # the captures' trees have it
                else:
                    store.disk.rename(held.path, _folder(store) / f"{held.path.name}.bytes")
        if not good:
            return RepairResult.AWAITED
        store.disk.rename_new(good[0].path, first)
        store.disk.sync_directory(first.parent)
    finish(store)
    return RepairResult.HEALED


def is_good(held: ContentLinks) -> bool:
    """Return whether a file's bytes on the disk, past the cache, have the digest in its name."""
    try:
        with files.opened(held.path, os.O_RDONLY | os.O_NOFOLLOW) as handle:
            os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
            found = files.hash_open_file(handle, os.fstat(handle).st_size)
    except (OSError, EOFError):
        return False
    return found.hex() == held.digest


def finish(store: Store) -> tuple[Digest, ...]:
    """Point trees to contents that are back; return those that are still awaited."""
    awaited = []
    for digest in _marked(store):
        if store.contents.has(digest):
            # Give every name that a capture has for this content to a good file.
            held = [h for h in store.contents.shard(digest[:2]) if h.digest == digest]
            good = {h.path.stat().st_ino for h in held}
            for tree, directory, name in _places(store, digest):
                try:
                    at = files.open_beneath(tree, directory, os.O_RDONLY | os.O_DIRECTORY)
                except OSError:
                    continue  # this file system cannot hold the name: it is not in the tree
                try:
                    if _inode(name, at) not in good:
                        fresh = b".repair-" + digest[:16].encode()
                        if _inode(fresh, at):
                            store.disk.unlink_at(fresh, at)
                        store.contents.link(digest, fresh, at)
                        store.disk.rename_at(fresh, name, at)
                finally:
                    os.close(at)
            store.disk.unlink(_folder(store) / digest)
        else:
            awaited.append(digest)
    return tuple(awaited)


def _folder(store: Store) -> Path:
    return store.root / "damaged"


def _marked(store: Store) -> list[Digest]:
    folder = _folder(store)
    if not folder.is_dir():
        return []
    markers = sorted(path.name for path in folder.iterdir() if "." not in path.name)
    return [names.check_digest(name) for name in markers]


def _inode(name: bytes, at: int) -> int:
    try:
        return os.stat(name, dir_fd=at, follow_symlinks=False).st_ino
    except OSError:
        return 0


def _places(store: Store, digest: Digest) -> Iterator[tuple[int, bytes, bytes]]:
    """Yield (open tree folder, directory, name) of every entry with this content."""
    for board in store.boards():
        for capture in sorted((store.board_folder(board) / "captures").iterdir()):
            yield from _places_in(capture, digest)


def _places_in(capture: Path, digest: Digest) -> Iterator[tuple[int, bytes, bytes]]:
    try:
        with index_file.opened(capture / "index.sqlite") as index:
            found = index.holders(bytes.fromhex(digest), _HOLDERS_MAX)
    except (OSError, SecurityError):
        return  # what is wrong with that capture is for its own checks to say
    for part, path in found:
        tree = capture / "tree" / str(part)
        if tree.is_dir():
            directory, _, name = path.rpartition(b"/")
            with files.opened(tree, os.O_RDONLY | os.O_DIRECTORY) as handle:
                yield handle, directory, name
