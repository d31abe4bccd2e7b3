"""Public keys that are let in: read from where an option says, and put into authorized_keys."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import NamedTuple

from holdstill.cli import terminal
from holdstill.errors import PreflightError, SecurityError, UsageError
from holdstill.keeper import authorized_keys
from holdstill.records import signature


def tell(line: str, done: str, *, lets_in: bool) -> None:
    """Put a line into this user's authorized_keys, or print it; say what was done.

    Raises:
        PreflightError: this user may not write there.
    """
    if lets_in:
        terminal.say(f"{done}, and is let in by {_let_in(line, Path.home(), done)}")
        return
    terminal.warn(f"{done}. Add this line to {Path.home()}/.ssh/authorized_keys:")
    terminal.say(line)


def _let_in(line: str, home: Path, done: str) -> Path:
    try:
        return authorized_keys.let_in(line, home)
    except PermissionError as error:
        raise PreflightError(
            f"{done}, but not let in: the owner of the store may not write {error.filename}",
            hint="so nobody who gets at the store can add a key. As root, add this line to "
            f"{home}/.ssh/authorized_keys: {line}",
        ) from error


class KeyOwner(NamedTuple):
    """Whose key is let in.

    Attributes:
        who: in words.
        makes: the command that makes one, and prints its public half.
    """

    who: str
    makes: str


BOARD = KeyOwner("the board", "`holdstill setup` on the board")
READER = KeyOwner("the person who reads", "`holdstill connect` on that person's machine")


def read(path: Path, owner: KeyOwner = BOARD) -> str:
    """Return the public key of a file, as `type base64`; - is standard input.

    Raises:
        UsageError: it cannot be read, or is a private key.
        SecurityError: it is no public key that a board or a reader may have.
    """
    text = _read_text(path, owner)
    if "PRIVATE KEY-----" in text:
        raise UsageError(
            f"{'this' if str(path) == '-' else path} is a private key, which nobody but "
            f"{owner.who} may have",
            hint="delete it here, and give the .pub file that is beside it where it was made; "
            f"where others may have read it, make a new pair (`rm` the old one, then "
            f"{owner.makes})",
        )
    try:
        return signature.check_public_key(text)
    except SecurityError as error:
        where = "standard input" if str(path) == "-" else path
        raise SecurityError(f"{where}: {error}", hint=error.hint) from error


def _read_text(path: Path, owner: KeyOwner) -> str:
    try:
        return sys.stdin.read() if str(path) == "-" else path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise UsageError(
            f"there is no file {path}",
            hint=f"`--key` names the public key of {owner.who}, a file that ends in .pub; "
            f"{owner.makes} makes it, and prints the line for here",
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no text"
        raise UsageError(
            f"cannot read the public key {path}: {why}",
            hint="the store's owner has to be able to read it; with `--key - < FILE` it is enough "
            "that your shell can",
        ) from error
