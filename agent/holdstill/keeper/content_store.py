"""The contents of a store: one file for one distinct body, named by its SHA-256.

A file gets here only after its bytes were hashed by the keeper itself, and is never modified
afterwards. Which captures need it, `references` knows.
"""

from __future__ import annotations

import errno
import os
import re
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import VerificationError
from holdstill.model.names import Digest

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.keeper.store_disk import StoreDisk
    from holdstill.model.pieces import Part

_NAME = re.compile(r"[0-9a-f]{64}")
SHARDS = tuple(f"{number:02x}" for number in range(256))
MODE = 0o400
"""Permission bits of every content."""
_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
"""Not blocking: where a pipe is in a content's place, there are no bytes."""


class ContentFile(NamedTuple):
    """One file in content/."""

    digest: Digest
    path: Path
    size: int
    allocated: int
    written_at: float


class ContentStore:
    """The folder content/ of a store."""

    def __init__(self, root: Path, disk: StoreDisk) -> None:
        self.root = root
        self._disk = disk
        self._prefix = os.fspath(root)
        self._folders = {shard: root / shard for shard in SHARDS}

    def path(self, digest: Digest) -> Path:
        """Return the path of a content, present or not."""
        return self._folders[digest[:2]] / digest

    def path_text(self, name: str) -> str:
        """Return `path` without pathlib, which costs more than the stat of the file."""
        return f"{self._prefix}/{name[:2]}/{name}"

    def has(self, digest: Digest) -> bool:
        """Return whether a content is here."""
        try:
            os.lstat(self.path_text(digest))
        except FileNotFoundError:
            return False
        return True

    def size(self, digest: Digest) -> int | None:
        """Return the bytes of a content, None when it is not here."""
        try:
            return os.lstat(self.path_text(digest)).st_size
        except FileNotFoundError:
            return None

    def open(self, digest: bytes) -> int:
        """Open a content for reading by its 32 bytes; the caller closes the descriptor.

        Raises:
            VerificationError: it is not here, or is no file.
            OSError: it cannot be read.
        """
        name = digest.hex()
        try:
            return os.open(self.path_text(name), _READ)
        except FileNotFoundError as error:
            raise VerificationError(
                f"the store lacks content {name}",
                hint="`holdstill verify --repair` lists what is missing, and has the boards send "
                "it again with their next captures",
            ) from error
        except OSError as error:
            if error.errno != errno.ELOOP:
                raise
            raise VerificationError(
                f"content {name} is a symlink in the store: {self.path_text(name)}",
                hint="put the file that it points to in its place; without one, `holdstill verify "
                "--repair` has the board send it again",
            ) from error

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Yield the same parts: their contents are all here."""
        yield from parts

    def adopt(self, source: Path, digest: Digest) -> bool:
        """Take over a file whose bytes were checked, and that has `MODE`; return if it is new."""
        try:
            self._disk.rename_new(source, self.path(digest))
        except FileExistsError:
            self._disk.unlink(source)
            return False
        return True

    def all(self) -> Iterator[ContentFile]:
        """Yield every content."""
        for shard in SHARDS:
            yield from self.shard(shard)

    def shard(self, shard: str) -> list[ContentFile]:
        """Return the contents whose digest begins with these two digits, in order."""
        return sorted(self._files(self.root / shard))

    def _files(self, folder: Path) -> Iterator[ContentFile]:
        with os.scandir(folder) as found:
            for item in found:
                if _NAME.fullmatch(item.name):
                    state = item.stat(follow_symlinks=False)
                    yield ContentFile(
                        Digest(item.name), folder / item.name, state.st_size,
                        state.st_blocks * 512, state.st_mtime,
                    )  # fmt: skip
