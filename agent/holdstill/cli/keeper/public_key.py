"""Public keys that are let in: read from where an option says, and put into authorized_keys."""

from __future__ import annotations

import sys
from pathlib import Path

from holdstill.cli import terminal
from holdstill.errors import PreflightError, UsageError
from holdstill.keeper import authorized_keys


def tell(line: str, done: str, *, lets_in: bool) -> None:
    """Put a line into this user's authorized_keys, or print it; say what was done.

    Raises:
        PreflightError: this user may not write there.
    """
    if lets_in:
        terminal.say(f"{done}, and let in by {_let_in(line, Path.home(), done)}")
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


def read(path: Path) -> str:
    """Return the text of a public key's file; - is standard input.

    Raises:
        UsageError: it cannot be read, or is a private key.
    """
    text = _read_text(path)
    if "PRIVATE KEY-----" in text:
        raise UsageError(
            f"{'this' if str(path) == '-' else path} is a private key, which nobody but the board "
            "may have",
            hint="delete it here, and give the .pub file beside it on the board; where others "
            "may have read it, make a new pair there (`rm` the old one, then `holdstill setup`)",
        )
    return text


def _read_text(path: Path) -> str:
    try:
        return sys.stdin.read() if str(path) == "-" else path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise UsageError(
            f"there is no file {path}",
            hint="`--key` names the board's public key, such as pier-3.pub; `holdstill setup` "
            "prints it on the board",
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no text"
        raise UsageError(
            f"cannot read the public key {path}: {why}",
            hint="the store's owner has to be able to read it; with `--key - < FILE` it is enough "
            "that your shell can",
        ) from error
