"""Enrolment: which boards may add captures, with which keys, and how much.

The keeper's owner enrols a board with the board's public key and puts one line into the
authorized_keys of the user that keeps the store. The line ties the key to one command, which
ties it to one store and one board: sshd(8), AUTHORIZED_KEYS FILE FORMAT.
"""

from __future__ import annotations

import re
import shlex
from typing import TYPE_CHECKING

from holdstill.errors import PreflightError, SecurityError, UsageError
from holdstill.keeper import store as stores
from holdstill.model import strict_yaml
from holdstill.model.layout import Record
from holdstill.model.settings import BoardLimits, Retention
from holdstill.records import signature
from holdstill.system import clocks, files

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.system.clocks import Clock

_LIMIT = 64 << 10
_SOURCES = re.compile(r"[0-9A-Za-z.:/*?,!-]{1,500}")


class Key(Record, frozen=True, kw_only=True):
    """One public key of a board.

    Attributes:
        public: type and base64.
        retired_at: when it was withdrawn; it still vouches for captures from before, and for no
            new one. "" while in use.
    """

    public: str
    added_at: str
    retired_at: str = ""


class Enrolment(Record, frozen=True, kw_only=True):
    """The document enrolment.yaml; without limits, the keeper's settings have them."""

    board: str
    keys: tuple[Key, ...]
    limits: BoardLimits | None = None
    retention: Retention | None = None

    @property
    def every_key(self) -> tuple[str, ...]:
        """Keys that can have signed a capture that is here."""
        return tuple(key.public for key in self.keys)

    @property
    def live_keys(self) -> tuple[str, ...]:
        """Keys that may sign a new capture."""
        return tuple(key.public for key in self.keys if not key.retired_at)


def enrol(
    store: Store, board: BoardName, public_key: str, *, clock: Clock, limits: BoardLimits | None
) -> Enrolment:
    """Let a board add captures with this key; a further key of an enrolled board is added.

    Limits stay as they are when none are given.

    Raises:
        SecurityError: the key is not one public key, or belongs to another board.
    """
    key = signature.check_public_key(public_key)
    for other in store.boards():
        if other != board and key in read(store, other).every_key:
            raise SecurityError(
                f"this key is board {other}'s already",
                hint="every board needs a key of its own: make one with ssh-keygen on the board",
            )
    folder = store.board_folder(board)
    old = read(store, board) if (folder / "enrolment.yaml").is_file() else None
    fresh = _with_key(old, board, Key(public=key, added_at=clocks.rfc3339(clock.now())))
    if limits is not None:
        fresh = _replaced(fresh, limits=limits)
    _lay_out(store, board)
    if fresh != old:
        store.disk.publish(folder / "enrolment.yaml", stores.encode(fresh))
    return fresh


def retire(store: Store, board: BoardName, public_key: str, *, clock: Clock) -> Enrolment:
    """Accept no new captures signed by this key; take its authorized_keys line out as well.

    Raises:
        UsageError: the board has no such key in use.
    """
    key, old = signature.check_public_key(public_key), read(store, board)
    if key not in old.live_keys:
        raise UsageError(f"board {board} has no such key in use")
    now = clocks.rfc3339(clock.now())
    keys = tuple(
        Key(public=k.public, added_at=k.added_at, retired_at=now) if k.public == key else k
        for k in old.keys
    )
    fresh = _replaced(old, keys=keys)
    store.disk.publish(store.board_folder(board) / "enrolment.yaml", stores.encode(fresh))
    return fresh


def read(store: Store, board: BoardName) -> Enrolment:
    """Return a board's enrolment.

    Raises:
        UsageError: it is not enrolled.
        SecurityError: the document is another board's.
    """
    path = store.board_folder(board) / "enrolment.yaml"
    try:
        data = path.read_bytes()
    except FileNotFoundError as error:
        known = ", ".join(store.boards()) or "none yet"
        raise UsageError(
            f"board {board} is not enrolled in {store.root}",
            hint=f"the boards there are: {known}; enrol another one with "
            f"`holdstill keeper enrol {store.root} {board} --key KEY.pub`",
        ) from error
    document = strict_yaml.load_yaml(data, str(path), limit=_LIMIT)
    found = strict_yaml.decode(document, Enrolment, str(path))
    if found.board != board:
        raise SecurityError(f"{path}: it is of board {found.board}")
    return found


def authorized_line(
    store: Store, board: BoardName, key: str, *, program: Sequence[str], sources: str = ""
) -> str:
    """Return the line for authorized_keys that gives this key its one command.

    program is the command that starts holdstill, such as its absolute path; sources the addresses
    the board may come from, as `from=` takes them, "" for anywhere.

    Raises:
        UsageError: the store's path or the sources cannot be written in such a line.
    """
    words = (*program, "keeper", "serve", "--store", str(store.root), "--board", board)
    command = shlex.join(words)
    if not command.isprintable() or '"' in command or "\\" in command:
        raise UsageError(f"{store.root}: quotes, backslashes or control characters in the path")
    if sources and _SOURCES.fullmatch(sources) is None:
        raise UsageError(f"{sources!r} is no list of addresses for from=")
    limits = f'from="{sources}",' if sources else ""
    return f'restrict,{limits}command="{command}" {key} {board}'


def let_in(line: str, home: Path) -> Path:
    """Put a line of `authorized_line` into a user's authorized_keys; return that file.

    Another line with the same key goes: sshd takes the first, whatever that would allow.

    Raises:
        PreflightError: another user may write there, so sshd would ignore the file.
    """
    folder = home / ".ssh"
    folder.mkdir(mode=0o700, exist_ok=True)
    path = (folder / "authorized_keys").resolve()
    for place in (home, folder, path):
        _check_private(place)
    old = path.read_bytes().splitlines() if path.exists() else []
    key = line.split()[-2].encode()
    kept = [text for text in old if key not in text.split()]
    files.publish(path, b"".join(text + b"\n" for text in [*kept, line.encode()]))
    return path


def _check_private(path: Path) -> None:
    """Check that sshd will accept the file's owner and modes (sshd_config(5), StrictModes)."""
    if path.exists() and path.stat().st_mode & 0o022:
        raise PreflightError(
            f"others may write to {path}, so sshd ignores the keys that are there",
            hint=f"take that away with `chmod go-w {path}`, then enrol again",
        )


def _with_key(old: Enrolment | None, board: BoardName, key: Key) -> Enrolment:
    if old is None:
        return Enrolment(board=board, keys=(key,))
    if key.public in old.live_keys:
        return old
    others = tuple(k for k in old.keys if k.public != key.public)
    return _replaced(old, keys=(*others, key))


def _replaced(
    old: Enrolment, *, keys: tuple[Key, ...] | None = None, limits: BoardLimits | None = None
) -> Enrolment:
    return Enrolment(
        board=old.board,
        keys=old.keys if keys is None else keys,
        limits=old.limits if limits is None else limits,
        retention=old.retention,
    )


def _lay_out(store: Store, board: BoardName) -> None:
    """Make the board's folders; each may be there from an interrupted enrolment."""
    folder = store.board_folder(board)
    for path in (folder, *(folder / name for name in ("captures", "incoming", "sealing"))):
        if not path.is_dir():
            store.disk.make_directory(path)
    for name in ("ledger.jsonl", "lock", "receiving.lock"):
        if not (folder / name).exists():
            store.disk.create(folder / name, b"")
    store.disk.sync_directory(folder)
    store.disk.sync_directory(folder.parent)
