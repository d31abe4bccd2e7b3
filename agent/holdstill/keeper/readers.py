"""Readers: people whose key may read captures, of all boards or of named ones, and nothing else.

STORE/readers/NAME/reader.yaml       the key, and the boards that it may read
STORE/readers/NAME/outgoing/...      contents laid out for fetching
STORE/readers/NAME/refusals.jsonl    what the key was used for and refused
"""

from __future__ import annotations

from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from holdstill.errors import PreflightError, SecurityError, UsageError
from holdstill.keeper import enrolment
from holdstill.keeper import store as stores
from holdstill.keeper.enrolment import Key
from holdstill.model import names, strict_yaml
from holdstill.model.layout import Record
from holdstill.model.sizes import human
from holdstill.records import signature
from holdstill.system import clocks, files

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from holdstill.keeper.account import Spent
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.system.clocks import Clock

FOLDER, DOCUMENT = "readers", "reader.yaml"
_LIMIT = 64 << 10


class Reader(Record, frozen=True, kw_only=True):
    """The document reader.yaml.

    Attributes:
        boards: those that it may read; none for all, also such as come later.
    """

    name: str
    key: Key
    boards: tuple[str, ...] = ()

    def may_read(self, board: str) -> bool:
        """Whether it may read a board's captures."""
        return not self.boards or board in self.boards


def folder(store: Store, name: str) -> Path:
    """Return the folder of a reader.

    Raises:
        UsageError: nobody can be called so.
    """
    if not names.is_board(name):
        raise UsageError(
            f"{name!r} cannot be a reader's name",
            hint="use 1 to 63 lower-case letters, digits and inner hyphens, such as anna-laptop",
        )
    return store.root / FOLDER / name


def every(store: Store) -> tuple[str, ...]:
    """Return the names of all readers, in order."""
    found = (store.root / FOLDER).glob(f"*/{DOCUMENT}")
    return tuple(sorted(path.parent.name for path in found if names.is_board(path.parent.name)))


def read(store: Store, name: str) -> Reader:
    """Return a reader.

    Raises:
        UsageError: there is none of this name.
        SecurityError: the document is another one's, or damaged.
    """
    path = folder(store, name) / DOCUMENT
    try:
        data = files.read_regular(path)
    except FileNotFoundError as error:
        raise UsageError(
            f"{store.root} has no reader {name}",
            hint=f"it has {', '.join(every(store)) or 'none yet'}",
        ) from error
    document = strict_yaml.load_yaml(data, str(path), limit=_LIMIT)
    found = strict_yaml.decode(document, Reader, str(path))
    if found.name != name or not found.key.is_sound:
        raise SecurityError(
            f"{path}: it is not as it was written",
            hint=f"`holdstill keeper reader remove {store.root} {name}`, then add it again",
        )
    return found


_OWN_KEY = (
    "every reader needs a key of its own, which is no board's: `holdstill connect` on that "
    "person's machine makes one, and prints the line for here"
)


def add(
    store: Store, name: str, public_key: str, boards: Sequence[str], *, clock: Clock
) -> Reader:
    """Let a key read these boards, or all if none is named; the same key may get others.

    Raises:
        SecurityError: the key is a board's or another reader's, or the reader has another one.
        UsageError: there is no such board.
    """
    place, key = folder(store, name), signature.check_public_key(public_key)
    for board in boards:
        enrolment.read(store, names.check_board(board))
    with files.alone_in(store.root):  # keys of all are compared
        enrolment.check_unused(store, key, hint=_OWN_KEY)
        if name in every(store) and read(store, name).key.public != key:
            raise SecurityError(
                f"reader {name} has another key",
                hint=f"`holdstill keeper reader remove {store.root} {name}` withdraws that; or "
                "give this one a name of its own",
            )
        _check_no_others(store, name, key)
        store.ensure_own(store.root / FOLDER)
        store.ensure_own(place)
        fresh = Reader(
            name=name,
            key=Key.added(key, clocks.rfc3339(clock.now())),
            boards=tuple(dict.fromkeys(boards)),
        )
        store.disk.publish(place / DOCUMENT, stores.encode(fresh))
    return fresh


def _check_no_others(store: Store, name: str, key: str) -> None:
    for other in every(store):
        if other != name and key.split()[1].encode() in files.read_if_there(
            folder(store, other) / DOCUMENT
        ):
            raise SecurityError(f"this key is reader {other}'s already", hint=_OWN_KEY)


def public_key(store: Store, name: str) -> str:
    """Return a reader's key, or "" where it cannot be read."""
    try:
        return read(store, name).key.public
    except (UsageError, SecurityError):
        return ""


def withdraw(store: Store, name: str) -> None:
    """Withdraw a reader's key: from now on no session of it begins, and no call is answered."""
    with files.alone_in(store.root), suppress(FileNotFoundError):
        store.disk.unlink(folder(store, name) / DOCUMENT)
        store.disk.sync_directory(folder(store, name))


def remove(store: Store, name: str) -> None:
    """Remove what is left of a reader whose key was withdrawn."""
    with files.alone_in(store.root):
        store.discard(folder(store, name))


def check_in_use(store: Store, name: str, fingerprint: str) -> Reader:
    """Return a reader whose key this still is.

    Raises:
        SecurityError: it is not.
    """
    try:
        found = read(store, name)
    except UsageError as error:
        raise SecurityError(f"reader {name} was removed") from error
    if found.key.fingerprint != fingerprint:
        raise SecurityError(f"the key of reader {name} was withdrawn")
    return found


def readable(store: Store, reader: Reader) -> tuple[BoardName, ...]:
    """Return the boards that a reader may read and that are there."""
    return tuple(board for board in store.boards() if reader.may_read(board))


class Room:
    """What may be laid out for a reader: links take none, and copies never the last room."""

    def __init__(self, store: Store, min_free: int) -> None:
        self._store, self._min_free = store, min_free

    @contextmanager
    def spending(self, spent: Spent) -> Iterator[None]:
        """Have room for what the block writes.

        Raises:
            PreflightError: there is none.
        """
        free, _ = self._store.free()
        if free - spent.bytes < self._min_free:
            raise PreflightError(
                f"the keeper has {human(free)} free, too little to lay out what was asked for",
                hint="`holdstill thin --apply` there makes room; at the keeper itself, `holdstill "
                "rebuild` and `get` need none",
            )
        yield
