"""Taking over what arrived: nothing enters the store before the keeper has hashed it itself."""

from __future__ import annotations

import errno
from contextlib import closing
from typing import TYPE_CHECKING, NamedTuple

from holdstill.keeper import content_store, incoming
from holdstill.model import names, pieces
from holdstill.model.names import Digest
from holdstill.model.protocol import Ingested
from holdstill.system.read_ahead import opened_ahead

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    from holdstill.keeper.possession import Possession
    from holdstill.keeper.store import Store

SIZE_MAX = pieces.LIMIT
"""Bytes of a content: larger files travel as lists of pieces."""
_SYNC_ONE_BY_ONE = 16
"""Up to so many files are synced each; more are synced with everything else on that disk."""
_NO_CONTENT = frozenset({errno.ELOOP, errno.EINVAL, errno.EMLINK, errno.EFBIG, errno.ENXIO})


class _Judged(NamedTuple):
    """A file that arrived: its size, and whether its SHA-256 is its name."""

    digest: Digest
    path: Path
    size: int
    good: bool


def ingest(
    store: Store,
    folder: Path,
    digests: Sequence[Digest],
    possession: Possession,
    *,
    announced: Mapping[Digest, int],
    spared: Digest | None = None,
) -> Ingested:
    """Take the named contents over into the store; what is not as named is removed.

    A content of the board that the store has already counts as kept, so that asking again does
    no harm. The caller keeps receivers out. A file of another size than was announced is not
    read. The spared one stays where it is, if it is not as named: it may be a part of it.
    """
    sizes = incoming.sizes(folder, digests)
    fitting = [d for d, size in sizes.items() if announced.get(d) in {None, size}]
    judged = _judge(store, folder, {digest: sizes[digest] for digest in fitting})
    # One that is here already, and old, is not collected before it has been answered for.
    with store.using_contents():
        new_bytes = _adopt(store, judged, possession)
        taken = {item.digest for item in judged if item.good}
        others = [digest for digest in digests if digest not in taken]
        own = possession.own(others)
        missing = [d for d in others if d not in own or not store.contents.has(d)]
    for digest in missing:
        if digest != spared:
            store.discard(folder / digest)
    return Ingested(kept=len(digests) - len(missing), new_bytes=new_bytes, bad=tuple(missing))


def claimed_size(folder: Path, digests: Iterable[Digest]) -> int:
    """Return the bytes that hashing these files would read, holes included."""
    return sum(size for size in incoming.sizes(folder, digests).values() if size <= SIZE_MAX)


def leftovers(store: Store, folder: Path) -> list[Digest]:
    """Return what a cut-off run had sent to a folder; what is no content is removed."""
    for path in incoming.shared_inodes(folder):
        store.disk.unlink(path)
    incoming.drop_strays(store, folder)
    return [names.check_digest(path.name) for path in sorted(folder.iterdir())]


def _judge(store: Store, folder: Path, arrived: Mapping[Digest, int]) -> list[_Judged]:
    """Hash files again, from the medium, not from memory of what was written to it.

    arrived: their sizes, by name.
    """
    if len(arrived) > _SYNC_ONE_BY_ONE:
        store.disk.sync_all(folder)
    else:
        for digest in arrived:
            store.disk.sync_file(folder / digest)

    paths = [folder / digest for digest in arrived]
    with closing(
        opened_ahead(paths, store.disk.open_dropped, lambda path: arrived[Digest(path.name)])
    ) as ahead:
        return [_judge_one(store, path, file) for path, file in ahead]


def _judge_one(store: Store, path: Path, file: int | OSError) -> _Judged:
    digest = Digest(path.name)
    try:
        if isinstance(file, OSError):
            raise file
        found, size = store.disk.reread(file, size_limit=SIZE_MAX)
        if good := found.hex() == digest:
            store.disk.change_mode(file, content_store.MODE)
    except OSError as error:
        if error.errno not in _NO_CONTENT:
            error.filename = str(path)  # it knew but a descriptor
            raise
        return _Judged(digest, path, 0, good=False)
    return _Judged(digest, path, size, good=good)


def _adopt(store: Store, judged: Sequence[_Judged], possession: Possession) -> int:
    """Move good files into the store; return the bytes that are new there, as far as it may tell.

    They are noted before: a cut in between costs that they are asked for again.
    """
    good = [item for item in judged if item.good]
    possession.note(item.digest for item in good)
    new_bytes = 0
    for item in good:
        if store.contents.adopt(item.path, item.digest) or not possession.is_sharing:
            new_bytes += item.size
    return new_bytes
