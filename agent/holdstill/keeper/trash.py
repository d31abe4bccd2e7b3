"""Contents that no capture needs rest here before they are deleted for good.

STORE/trash/contents-<UTC basic time>/<sha256>: one folder for each collection. A content that is
wanted again is taken back. What was judged wrongly, by us or by whoever repairs a store by hand,
can be put back for as long as it rests.

A clock that leaps ahead does not cut that short: between one look and the next, COUNTED_MOST of
time passes at most. STORE/trash/looked-<UTC basic time> remembers the last look.
"""

from __future__ import annotations

import errno
import os
import secrets
import stat
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from holdstill.keeper.content_store import ContentStore
from holdstill.keeper.store import DISCARDED
from holdstill.model import names
from holdstill.model.names import Digest
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from holdstill.keeper.store import Store

GRACE = timedelta(days=3)
COUNTED_MOST = timedelta(days=2)
"""More than a night: who thins every day loses nothing by it."""
_PREFIX, _LOOKED, _MOMENT = "contents-", "looked-", "%Y%m%dT%H%M%SZ"


@dataclass(frozen=True)
class RestingPlace:
    """One folder of contents.

    Attributes:
        since: when they were put there, by the keeper's clock.
    """

    folder: Path
    since: datetime


def resting(store: Store) -> tuple[RestingPlace, ...]:
    """Return the folders with contents, oldest first; only names that we give are such."""
    return tuple(RestingPlace(path, at) for at, path in _dated(store, _PREFIX, stat.S_IFDIR))


def contents(place: RestingPlace) -> list[Digest]:
    """Return the contents that rest in a folder, in order."""
    with suppress(FileNotFoundError):  # its time came just now
        found = sorted(path.name for path in place.folder.iterdir())
        return [Digest(name) for name in found if names.is_digest(name)]
    return []


class TakingBack(ContentStore):
    """The contents of a store; what rests in the trash is taken back when it is asked for."""

    def __init__(self, store: Store) -> None:
        super().__init__(store.contents.root, store.disk)
        self._store = store

    def open(self, digest: bytes) -> int:
        """Open a content for reading by its 32 bytes; the caller closes the descriptor."""
        name = Digest(digest.hex())
        if not self.has(name):
            take_back(self._store, name)
        return super().open(digest)


def _dated(store: Store, prefix: str, kind: int) -> list[tuple[datetime, Path]]:
    found = []
    for path in store.trash.glob(f"{prefix}*"):
        with suppress(ValueError, FileNotFoundError):  # none of ours; its time came just now
            at = datetime.strptime(path.name, f"{prefix}{_MOMENT}").replace(tzinfo=UTC)
            if stat.S_IFMT(path.lstat().st_mode) == kind:
                found.append((at, path))
    return sorted(found)


def others(store: Store) -> Iterator[Path]:
    """Yield what is in the trash and rests for nobody: what an interrupted deletion left."""
    store.check_own(store.trash)
    kept = {place.folder for place in resting(store)}
    kept.update(path for _, path in _looks(store)[-1:])
    yield from (path for path in sorted(store.trash.iterdir()) if path not in kept)


def new_place(store: Store, now: datetime) -> Path:
    """Return a folder for what is collected at this moment, made if need be."""
    folder = store.trash / f"{_PREFIX}{now.astimezone(UTC).strftime(_MOMENT)}"
    if not folder.is_dir():
        store.disk.make_directory(folder)
    return folder


def take_back(store: Store, digest: Digest, places: Sequence[RestingPlace] | None = None) -> bool:
    """Put a content back among the others; return whether it rested here.

    Args:
        store: of all boards.
        digest: which content.
        places: what `resting` has returned, for who asks about many.
    """
    found = resting(store) if places is None else places
    return any(_take_back(store, place, digest) for place in reversed(found))


def take_all_back(store: Store, digests: Iterable[Digest]) -> frozenset[Digest]:
    """Put contents back among the others; return those of them that rested here."""
    places = resting(store)[::-1]
    return frozenset(d for d in digests if any(_take_back(store, place, d) for place in places))


def place_of(store: Store, digest: Digest) -> Path | None:
    """Return where a content rests; None if it does not."""
    found = (place.folder / digest for place in resting(store))
    return next((path for path in found if os.path.lexists(path)), None)


def _take_back(store: Store, place: RestingPlace, digest: Digest) -> bool:
    path = place.folder / digest
    if not os.path.lexists(path):
        return False
    with suppress(FileExistsError):  # another process was quicker
        try:
            store.disk.rename_new(path, store.contents.path(digest))
        except FileNotFoundError:  # its time came just now
            return False
    return True


def empty(store: Store, now: datetime, *, grace: timedelta, min_free: int) -> tuple[int, int]:
    """Delete what has rested long enough; if space is short, the oldest of the rest, too.

    A folder from the future was made while the clock was wrong: it rests from now on. Time that
    does not count, since the clock leapt, is added to the rest of all.

    Returns:
        How many bytes were given back, and how many of them before their time.
    """
    store.check_own(store.trash)
    with files.alone_in(store.trash):
        return _empty(store, now, grace=grace, min_free=min_free)


def _empty(store: Store, now: datetime, *, grace: timedelta, min_free: int) -> tuple[int, int]:
    given_back = early = 0
    leap = _uncounted(store, now)
    for place in resting(store)[::-1]:
        if leap or place.since > now:
            store.disk.rename(place.folder, _free_name(store, min(now, place.since + leap)))
    # Only now: whoever is cut off before this adds the time once more.
    _note_look(store, now)
    for place in resting(store):
        if now - place.since >= grace:
            given_back += _delete(store, place.folder)
    for place in resting(store):
        if store.free()[0] >= min_free:
            break
        early += _delete(store, place.folder)
    return given_back + early, early


def _uncounted(store: Store, now: datetime) -> timedelta:
    """Return how much of the time since the last look does not count."""
    past = [at for at, _ in _looks(store) if at <= now]
    return max(timedelta(0), now - past[-1] - COUNTED_MOST) if past else timedelta(0)


def _note_look(store: Store, now: datetime) -> None:
    """Remember this look, and no other one."""
    before = _looks(store)
    latest = store.trash / f"{_LOOKED}{now.astimezone(UTC).strftime(_MOMENT)}"
    try:
        store.disk.create(latest, b"")
    except FileExistsError:
        pass
    except OSError as error:
        if error.errno not in {errno.ENOSPC, errno.EDQUOT}:
            raise
        return  # what rests here is what can be given back
    for _, path in before:
        if path != latest:
            with suppress(FileNotFoundError):
                store.disk.unlink(path)


def _looks(store: Store) -> list[tuple[datetime, Path]]:
    return _dated(store, _LOOKED, stat.S_IFREG)


def _free_name(store: Store, now: datetime) -> Path:
    while True:
        path = store.trash / f"{_PREFIX}{now.astimezone(UTC).strftime(_MOMENT)}"
        if not path.exists():
            return path
        now -= timedelta(seconds=1)


def _delete(store: Store, folder: Path) -> int:
    """Delete a folder of contents; nobody takes one back out of it from the first step on."""
    grave = store.trash / f"{DISCARDED}{secrets.token_hex(8)}"
    try:
        store.disk.rename(folder, grave)
    except FileNotFoundError:  # another collection was quicker
        return 0
    with os.scandir(grave) as found:
        # What a tree of plain files holds on to gives nothing back.
        states = [item.stat(follow_symlinks=False) for item in found]
    size = sum(state.st_blocks * 512 for state in states if state.st_nlink == 1)
    store.disk.remove_tree(grave)
    return size


def size(store: Store) -> int:
    """Return the bytes that rest here."""
    total = 0
    for place in resting(store):
        with suppress(FileNotFoundError), os.scandir(place.folder) as found:
            total += sum(item.stat(follow_symlinks=False).st_blocks * 512 for item in found)
    return total
