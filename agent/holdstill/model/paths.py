"""Names are bytes. Only messages decode them, and never back."""

from __future__ import annotations

from dataclasses import dataclass

from holdstill.errors import SecurityError
from holdstill.model.foreign_text import printable

NAME_MAX = 255
"""Bytes in one name (Linux NAME_MAX)."""
PATH_MAX = 4096
"""Bytes in one path inside a file system; ours includes no leading slash."""
DEPTH_MAX = 255


def display(raw: bytes) -> str:
    """Write a name for people (`foreign_text.printable` says how)."""
    return printable(raw)


def check_name(name: bytes) -> bytes:
    """Return one component of a path unharmed.

    Raises:
        SecurityError: empty, `.`, `..`, with a slash or NUL, or too long.
    """
    if name in {b"", b".", b".."} or b"/" in name or b"\0" in name or len(name) > NAME_MAX:
        raise SecurityError(f"not a file name: {display(name[:300])!r}")
    return name


def check_path(path: bytes) -> bytes:
    """Return a path inside a file system unharmed; b"" is the file system's root.

    Raises:
        SecurityError: absolute, with empty or dot components, too long or too deep.
    """
    if path:
        parts = path.split(b"/")
        if len(path) > PATH_MAX or len(parts) > DEPTH_MAX:
            raise SecurityError(f"path too long or too deep: {display(path[:300])!r}")
        for part in parts:
            check_name(part)
    return path


def join(directory: bytes, name: bytes) -> bytes:
    """Return the path of name inside directory (b"" is the root)."""
    return directory + b"/" + name if directory else name


def split(path: bytes) -> tuple[bytes, bytes]:
    """Return the directory and the name of a path; the root is (b"", b"")."""
    directory, _, name = path.rpartition(b"/")
    return directory, name


@dataclass(frozen=True, order=True)
class BoardPath:
    """An absolute path on the board, as the bytes the kernel gave us.

    Deliberately not os.PathLike: opening a board's path on the keeper is a bug.
    """

    raw: bytes

    def __truediv__(self, name: bytes) -> BoardPath:
        return BoardPath(self.raw.rstrip(b"/") + b"/" + name)

    def __str__(self) -> str:
        return display(self.raw)
