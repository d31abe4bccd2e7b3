"""Enrolment: which boards may add captures, with which keys, and how much.

The keeper's owner enrols a board with the board's public key, and has the line of
`authorized_keys` let it in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

import msgspec

from holdstill.errors import (
    DocumentError,
    SecurityError,
    UsageError,
    VerificationError,
)
from holdstill.keeper import incoming
from holdstill.keeper import store as stores
from holdstill.model import names, settings, strict_yaml
from holdstill.model.layout import Record
from holdstill.model.settings import OwnLimits, Retention
from holdstill.records import signature
from holdstill.system import clocks, files

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.system.clocks import Clock

_LIMIT = 64 << 10


class Key(Record, frozen=True, kw_only=True):
    """One public key of a board.

    Attributes:
        public: type and base64.
        fingerprint: of it, as `ssh-keygen -l` prints it: so it shows when the file is damaged.
        retired_at: when it was withdrawn; it still vouches for captures from before, and for no
            new one. "" while in use.
    """

    public: str
    fingerprint: str
    added_at: str
    retired_at: str = ""

    @classmethod
    def added(cls, public: str, now: str) -> Self:
        """Return a key that is let in from now on."""
        return cls(public=public, fingerprint=signature.fingerprint(public), added_at=now)

    @property
    def is_sound(self) -> bool:
        """Whether it is a key, and that of its fingerprint."""
        is_key = signature.is_public_key(self.public)
        return is_key and signature.fingerprint(self.public) == self.fingerprint


class Enrolment(Record, frozen=True, kw_only=True):
    """The document enrolment.yaml; without limits, the keeper's settings have them."""

    board: str
    keys: tuple[Key, ...]
    limits: OwnLimits | None = None
    retention: Retention | None = None

    @property
    def every_key(self) -> tuple[str, ...]:
        """Keys that can have signed a capture that is here."""
        return tuple(key.public for key in self.keys)

    @property
    def live_keys(self) -> tuple[str, ...]:
        """Keys that may sign a new capture."""
        return tuple(key.public for key in self.keys if not key.retired_at)

    def lets_in(self, fingerprint: str) -> bool:
        """Return whether a session may go on that came in with this key; "" for any in use."""
        return any(fingerprint in {"", signature.fingerprint(key)} for key in self.live_keys)

    @property
    def retired_keys(self) -> tuple[str, ...]:
        """Keys that were withdrawn."""
        return tuple(key.public for key in self.keys if key.retired_at)


def enrol(
    store: Store, board: BoardName, public_key: str, *, clock: Clock, limits: OwnLimits | None
) -> Enrolment:
    """Let a board add captures with this key; the key that it has already changes nothing.

    Limits stay as they are when none are given.

    Raises:
        SecurityError: the key is not one public key, was withdrawn, or belongs to another board;
            or the board has another key in use.
    """
    with files.alone_in(store.root):  # the keys of all boards are compared
        key = _check_key(store, board, public_key)
        old = _read_if_enrolled(store, board)
        if old is not None and old.live_keys and key not in old.live_keys:
            raise SecurityError(
                f"board {board} is enrolled with another key, added at {old.keys[-1].added_at}; "
                "nothing was changed",
                hint="if this is a new key of the same board, have it take the old one's place: "
                f"`holdstill keeper enrol {store.root} {board} --key KEY.pub --replace-key`. The "
                "old key is withdrawn then, and the captures that it signed stay good",
            )
        fresh = _with_key(old, board, Key.added(key, clocks.rfc3339(clock.now())))
        if limits is not None:
            fresh = _replaced(fresh, limits=limits)
        _publish(store, fresh, old)
    return fresh


def replace_key(store: Store, board: BoardName, public_key: str, *, clock: Clock) -> Enrolment:
    """Let a board add captures with this key only; the keys that it had are withdrawn.

    Raises:
        SecurityError: the key is not one public key, was withdrawn, or belongs to another board.
    """
    with files.alone_in(store.root):  # the keys of all boards are compared
        key = _check_key(store, board, public_key)
        old, now = _read_if_enrolled(store, board), clocks.rfc3339(clock.now())
        kept = None if old is None else _withdrawn(old, now, but=key)
        fresh = _with_key(kept, board, Key.added(key, now))
        _publish(store, fresh, old)
    return fresh


def retire(store: Store, board: BoardName, *, clock: Clock) -> Enrolment:
    """Accept no new capture of this board; its captures stay, and its keys vouch for them.

    Take the keys' lines out of authorized_keys as well (`shut_out`): they could still read.

    Raises:
        UsageError: it is not enrolled.
    """
    with files.alone_in(store.root):  # another command may change it
        old = read(store, board)
        fresh = _withdrawn(old, clocks.rfc3339(clock.now()))
        _publish(store, fresh, old)
    return fresh


def path_of(store: Store, board: BoardName) -> Path:
    """Return where a board's enrolment is."""
    return store.board_folder(board) / "enrolment.yaml"


def gone(path: Path) -> VerificationError:
    """Return the error that a board's folder has no enrolment."""
    store, board = path.parent.parent.parent, path.parent.name
    return VerificationError(
        f"{path}: there is none",
        hint="put it back from a copy, or enrol the board again with its old key, which its line "
        f"in authorized_keys ends with as well: `holdstill keeper enrol {store} {board} --key "
        "KEY.pub`; then its captures are good. If it is no board, move the folder out of boards/",
    )


def lost(folder: Path) -> VerificationError:
    """Return the error that a board's folder is gone, which the store remembers."""
    return VerificationError(
        f"{folder}: the folder of this board is gone",
        hint="put it back, or mount its disk; if it is to be forgotten with all its captures: "
        f"`holdstill keeper accept {folder.parent.parent} {folder.name} --reason ...`",
    )


def read(store: Store, board: BoardName) -> Enrolment:
    """Return a board's enrolment.

    Raises:
        UsageError: it is not enrolled.
        SecurityError: the document is another board's.
    """
    path = path_of(store, board)
    try:
        data = files.read_regular(path)
    except FileNotFoundError as error:
        if board in store.lost_boards():
            raise lost(path.parent) from error
        if path.parent.is_dir():
            raise gone(path) from error
        raise UsageError(
            f"board {board} is not enrolled in {store.root}",
            hint="`holdstill list` shows the boards that there are; enrol another one with "
            f"`holdstill keeper enrol {store.root} {board} --key KEY.pub`",
        ) from error
    try:
        found = decode(data, str(path))
    except DocumentError as error:
        raise DocumentError(
            str(path),
            error.problems,
            hint="mend that file, or put it back from a copy; or move it away, and enrol the "
            "board again with its own key, which its line in authorized_keys ends with as well: "
            f"`holdstill keeper enrol {store.root} {board} --key KEY.pub`",
        ) from error
    if found.board != board:
        raise SecurityError(f"{path}: it is of board {found.board}")
    return found


def decode(data: bytes, name: str) -> Enrolment:
    """Read an enrolment's bytes; name is for the errors.

    Raises:
        DocumentError: it has problems.
    """
    document = strict_yaml.load_yaml(data, name, limit=_LIMIT)
    return strict_yaml.decode_checked(
        document, Enrolment, name, check=_problems, stand_ins={"board": "board", "keys": []}
    )


def check_in_use(enrolled: Enrolment, fingerprint: str) -> None:
    """Check that a key is in use: its line, or a connection that it opened, may outlive it.

    Raises:
        SecurityError: it was withdrawn.
    """
    if not enrolled.lets_in(fingerprint):
        raise SecurityError(
            f"the key of board {enrolled.board} was withdrawn",
            hint="if the board is to come back, give it a new key and enrol that at the keeper",
        )


def _problems(found: Enrolment) -> list[str]:
    """Return what is wrong in an enrolment beyond its types: its owner may have edited it."""
    return [
        *settings.negative("retention", found.retention),
        *settings.negative("limits", found.limits),
        *(
            f"keys[{number}]: its fingerprint is another one: it was damaged, or edited"
            for number, key in enumerate(found.keys)
            if not key.is_sound
        ),
    ]


_OWN_KEY = "every board needs a key of its own: make one with ssh-keygen on the board"


def check_unused(store: Store, key: str, *, but: str = "", hint: str = _OWN_KEY) -> None:
    """Check that a key, `type base64`, is no board's, but that of one that may have it.

    Raises:
        SecurityError: it is one's.
    """
    for other in store.boards():
        # Also of one whose enrolment is damaged.
        if other != but and key.split()[1].encode() in files.read_if_there(path_of(store, other)):
            raise SecurityError(f"this key is board {other}'s already", hint=hint)


def _check_key(store: Store, board: BoardName, public_key: str) -> str:
    """Return type and base64 of a key that this board may use."""
    key = signature.check_public_key(public_key)
    check_unused(store, key, but=board)
    for path in (store.root / "readers").glob("*/reader.yaml"):
        if key.split()[1].encode() in files.read_if_there(path):
            raise SecurityError(
                f"this key is reader {path.parent.name}'s, who reads captures",
                hint=_OWN_KEY,
            )
    found = _read_if_enrolled(store, board)
    if found is not None and key in found.retired_keys:
        raise SecurityError(
            f"this key of board {board} was withdrawn; it does not come back",
            hint="make a new one with ssh-keygen on the board, and enrol that",
        )
    return key


def _read_if_enrolled(store: Store, board: BoardName) -> Enrolment | None:
    is_known = path_of(store, board).is_file()
    return read(store, board) if is_known else None


def _publish(store: Store, fresh: Enrolment, old: Enrolment | None) -> None:
    board = names.check_board(fresh.board)
    store.known_boards.note(board)
    lay_out(store, board)
    if fresh != old:
        store.disk.publish(path_of(store, board), stores.encode(fresh))


def _with_key(old: Enrolment | None, board: BoardName, key: Key) -> Enrolment:
    if old is None:
        return Enrolment(board=board, keys=(key,))
    if key.public in old.live_keys:
        return old
    return _replaced(old, keys=(*old.keys, key))


def _withdrawn(old: Enrolment, now: str, *, but: str = "") -> Enrolment:
    """Return an enrolment whose keys in use are withdrawn, except for one."""
    return _replaced(
        old,
        keys=tuple(
            key if key.retired_at or key.public == but else _retired(key, now) for key in old.keys
        ),
    )


def _retired(key: Key, now: str) -> Key:
    return msgspec.structs.replace(key, retired_at=now)


def _replaced(
    old: Enrolment, *, keys: tuple[Key, ...] | None = None, limits: OwnLimits | None = None
) -> Enrolment:
    return Enrolment(
        board=old.board,
        keys=old.keys if keys is None else keys,
        limits=old.limits if limits is None else limits,
        retention=old.retention,
    )


def lay_out(store: Store, board: BoardName) -> None:
    """Make the board's folders that are missing: by an interruption, or left out of a copy."""
    folder = store.board_folder(board)
    for path in (folder, *(folder / name for name in ("captures", "incoming", "sealing"))):
        store.ensure_own(path)
    for name in ("ledger.jsonl", "lock", *incoming.RECEIVING):
        if not (folder / name).exists():
            store.disk.create(folder / name, b"")
    store.disk.sync_directory(folder)
    store.disk.sync_directory(folder.parent)
