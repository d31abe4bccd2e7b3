"""The lines of authorized_keys that let boards and readers in, each to its one command.

A line ties a key to one command, which ties it to one store and to one board, or to one reader:
sshd(8), AUTHORIZED_KEYS FILE FORMAT.
"""

from __future__ import annotations

import ipaddress
import re
import shlex
from contextlib import suppress
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import PreflightError, SecurityError, UsageError
from holdstill.records import signature
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.keeper.store import Store

_PURPOSE_WORDS = 4
"""--store PATH --board NAME, or --reader NAME."""
_SOURCES = re.compile(r"[0-9A-Za-z.:/*?,!-]{1,500}")


class Who(StrEnum):
    """Whom a line lets in, as the option of `keeper serve` says it."""

    BOARD = "board"
    READER = "reader"


def authorized_line(
    store: Store,
    name: str,
    key: str,
    *,
    program: Sequence[str],
    sources: str = "",
    who: Who = Who.BOARD,
) -> str:
    """Return the line for authorized_keys that gives this key its one command.

    program is the command that starts holdstill, such as its absolute path; sources the addresses
    it may come from, as `from=` takes them, "" for anywhere.

    Raises:
        UsageError: the store's path or the sources cannot be written in such a line.
    """
    words = (
        *program, "keeper", "serve", "--store", str(store.root), f"--{who}", name,
        "--key", signature.fingerprint(key),
    )  # fmt: skip
    command = shlex.join(words)
    if not command.isprintable() or '"' in command or "\\" in command:
        raise UsageError(f"{store.root}: quotes, backslashes or control characters in the path")
    if sources and not (_SOURCES.fullmatch(sources) and all(map(_is_source, sources.split(",")))):
        raise UsageError(
            f"{sources!r} is no list of addresses for from=",
            hint="write addresses with commas between them, such as 192.168.1.7,10.0.0.0/8",
        )
    limits = f'from="{sources}",' if sources else ""
    return f'restrict,{limits}command="{command}" {key} {name}'


def _is_source(pattern: str) -> bool:
    """Whether sshd takes it: one network that is none has it refuse the whole line (sshd(8))."""
    if "/" not in pattern:
        return bool(pattern)  # an address, a host's name, or a pattern of such
    try:
        ipaddress.ip_network(pattern.removeprefix("!"))
    except ValueError:
        return False
    return True


def let_in(line: str, home: Path) -> Path:
    """Put a line of `authorized_line` into a user's authorized_keys; return that file.

    An older line of the same purpose goes. One key, one line: sshd takes the first that has the
    key, whatever that allows.

    Raises:
        PreflightError: another user may write there, so sshd would ignore the file.
        SecurityError: the key is let in for something else.
    """
    folder = home / ".ssh"
    folder.mkdir(mode=0o700, exist_ok=True)
    path = _authorized_keys(home)
    for place in (home, folder, path):
        _check_private(place)
    with files.alone_in(path.parent):
        kept = _without(path, [" ".join(line.split()[-3:-1])])
        for old in set(_lines(path)).difference(kept):
            if _purpose(old.decode(errors="replace")) != _purpose(line):
                raise SecurityError(
                    f"{path} lets this key in for something else: {old.decode(errors='replace')}",
                    hint="every board of every store needs a key of its own: make one with "
                    "ssh-keygen on the board; or take that line out yourself",
                )
        _write_lines(path, [*kept, line.encode()])
    return path


def _purpose(line: str) -> str:
    """Return the store and whom a line is for; "" if it is none of ours."""
    found = re.search(
        r' keeper serve (--store [^"]+ --(?:board|reader) [^" ]+) --key [^" ]+"', line
    )
    return found[1] if found else ""


class ShutOut(NamedTuple):
    """What became of lines in authorized_keys.

    Attributes:
        path: that file.
        gone: how many lines went.
        kept: store and board of those that stay, since they are another store's.
    """

    path: Path
    gone: int = 0
    kept: tuple[str, ...] = ()


def shut_out(
    store: Store, keys: Sequence[str], home: Path, *, name: str = "", who: Who = Who.BOARD
) -> ShutOut:
    """Take the lines with these keys out of a user's authorized_keys, but not another store's.

    So go all lines of a board, or a reader, of this store that is named, whatever their keys.
    """
    path = _authorized_keys(home)
    if not path.exists():
        return ShutOut(path)
    with files.alone_in(path.parent):
        lines, without = _lines(path), _without(path, keys)
        elsewhere = [x for x in lines if x not in without and _is_elsewhere(x, store)]
        kept = [
            line
            for line in lines
            if (line in without or line in elsewhere) and not _is_for(line, store, who, name)
        ]
        if len(kept) < len(lines):
            _write_lines(path, kept)
    purposes = tuple(_purpose(line.decode(errors="replace")) for line in elsewhere)
    return ShutOut(path, len(lines) - len(kept), purposes)


def shut_out_all(store: Store, home: Path) -> ShutOut:
    """Take every line of this store out of a user's authorized_keys."""
    path = _authorized_keys(home)
    if not path.exists():
        return ShutOut(path)
    with files.alone_in(path.parent):
        lines = _lines(path)
        kept = [line for line in lines if not _is_of(line, store)]
        if len(kept) < len(lines):
            _write_lines(path, kept)
    return ShutOut(path, len(lines) - len(kept))


class _Purpose(NamedTuple):
    store: Path
    option: str
    name: str


def _read_purpose(line: bytes) -> _Purpose | None:
    """Return whom a line lets in to which store; None if it is none of ours."""
    try:
        words = shlex.split(_purpose(line.decode(errors="replace")))
    except ValueError:  # somebody's own line, with half a quotation
        return None
    return _Purpose(Path(words[1]), words[2], words[3]) if len(words) == _PURPOSE_WORDS else None


def _is_elsewhere(line: bytes, store: Store) -> bool:
    """Whether a line is for another store, which is there: a copy may have the same keys."""
    if (found := _read_purpose(line)) is None:
        return False
    with suppress(OSError):
        return (found.store / "store.yaml").exists() and not found.store.samefile(store.root)
    return False


def _is_of(line: bytes, store: Store) -> bool:
    """Whether a line is for this store."""
    found = _read_purpose(line)
    with suppress(OSError):
        return found is not None and found.store.samefile(store.root)
    return False


def _is_for(line: bytes, store: Store, who: Who, name: str) -> bool:
    """Whether a line is for a board, or a reader, of this store."""
    found = _read_purpose(line)
    return found is not None and found[1:] == (f"--{who}", name) and _is_of(line, store)


def _authorized_keys(home: Path) -> Path:
    """Return where sshd looks by default (sshd_config(5), AuthorizedKeysFile)."""
    return (home / ".ssh/authorized_keys").resolve()


def _lines(path: Path) -> list[bytes]:
    return path.read_bytes().splitlines() if path.exists() else []


def _without(path: Path, keys: Sequence[str]) -> list[bytes]:
    """Return the lines that have none of these keys, told by their base64."""
    bodies = {key.split()[1].encode() for key in keys}
    return [line for line in _lines(path) if bodies.isdisjoint(line.split())]


def _write_lines(path: Path, lines: Sequence[bytes]) -> None:
    files.publish(path, b"".join(line + b"\n" for line in lines))


def _check_private(path: Path) -> None:
    """Check that sshd will accept the file's owner and modes (sshd_config(5), StrictModes)."""
    if path.exists() and path.stat().st_mode & 0o022:
        raise PreflightError(
            f"others may write to {path}, so sshd ignores the keys that are there",
            hint=f"take that away with `chmod go-w {path}`, then enrol again",
        )
