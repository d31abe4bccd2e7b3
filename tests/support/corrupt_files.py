"""Files, such as the contents of a store, that are damaged for a while."""

from __future__ import annotations

import hashlib
import shutil
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


def stored(store: Path, content: bytes) -> Path:
    """Return where a store has a content."""
    name = hashlib.sha256(content).hexdigest()
    return store / "content" / name[:2] / name


def altered(path: Path) -> None:
    """Give a file another last byte."""
    content = path.read_bytes()
    path.chmod(0o600)
    path.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))


def altered_inside(path: Path) -> None:
    """Give a file another byte in its middle."""
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.chmod(0o600)
    path.write_bytes(content)


def shortened(path: Path) -> None:
    """Take a file's last byte away."""
    path.chmod(0o600)
    path.write_bytes(path.read_bytes()[:-1])


def gone(path: Path) -> None:
    """Take a file away."""
    path.unlink()


def unreadable(path: Path) -> None:
    """Put something in a file's place that can be opened but not read."""
    path.unlink()
    path.mkdir()  # EISDIR, for want of a broken disk


WAYS = (altered, shortened, gone, unreadable)


@contextmanager
def spoilt(*paths: Path, spoil: Callable[[Path], None] = altered) -> Iterator[None]:
    """Let files be damaged for the length of the block."""
    with ExitStack() as undo:
        for path in paths:
            undo.callback(path.write_bytes, path.read_bytes())
            spoil(path)
            undo.callback(shutil.rmtree, path, ignore_errors=True)
        yield
