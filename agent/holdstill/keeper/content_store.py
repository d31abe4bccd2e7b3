"""The contents of a store: one file for one distinct body, named by its SHA-256.

A file gets here only after its bytes were hashed by the keeper itself, and is never modified
afterwards. Captures hold hard links to it, so its link count says whether it is still needed.
When a file system allows no further link (ext4: 65,000), the same bytes are here once more
under a name with a number, such as <sha256>.1.
"""

from __future__ import annotations

import errno
import itertools
import os
import re
import secrets
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import VerificationError
from holdstill.model.names import Digest

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.keeper.store_disk import StoreDisk

_NAME = re.compile(r"[0-9a-f]{64}")
_SPARE = re.compile(r"([0-9a-f]{64})\.([1-9][0-9]{0,3})")
SHARDS = tuple(f"{number:02x}" for number in range(256))
_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC


class ContentLinks(NamedTuple):
    """One file in content/: a content's first copy, or a spare one."""

    digest: Digest
    path: Path
    links: int
    size: int
    allocated: int
    written_at: float


class ContentStore:
    """The folder content/ of a store."""

    def __init__(self, root: Path, disk: StoreDisk) -> None:
        self.root = root
        self._disk = disk
        self._prefix = os.fspath(root)

    def path(self, digest: Digest) -> Path:
        """Return the path of a content, present or not."""
        return self.root / digest[:2] / digest

    def _place(self, name: str) -> str:
        """Return `path` without pathlib, which costs more than the stat of the file."""
        return f"{self._prefix}/{name[:2]}/{name}"

    def has(self, digest: Digest) -> bool:
        """Return whether a content is here."""
        try:
            os.lstat(self._place(digest))
        except FileNotFoundError:
            return False
        return True

    def open(self, digest: bytes) -> int:
        """Open a content for reading by its 32 bytes; the caller closes the descriptor.

        Raises:
            VerificationError: it is not here.
        """
        name = digest.hex()
        try:
            return os.open(self._place(name), _READ)
        except FileNotFoundError as error:
            raise VerificationError(
                f"the store lacks content {name}",
                hint="`holdstill verify` lists what is missing; the board can send it again "
                "with its next capture",
            ) from error

    def adopt(self, source: Path, digest: Digest) -> bool:
        """Take over a file whose bytes were checked; return whether it was new here."""
        self._disk.change_mode(source, 0o400)
        try:
            self._disk.rename_new(source, self.path(digest))
        except FileExistsError:
            self._disk.unlink(source)
            return False
        return True

    def link(self, digest: str, name: bytes, at: int) -> None:
        """Give a content a further name in an open directory.

        Raises:
            FileNotFoundError: the content is not here.
        """
        first = f"{self._prefix}/{digest[:2]}/{digest}"
        try:
            self._disk.link_at(first, name, at)
        except OSError as error:
            if error.errno != errno.EMLINK:
                raise
            self._link_spare(Digest(digest), name, at)

    def _link_spare(self, digest: Digest, name: bytes, at: int) -> None:
        """Link to the first spare copy that takes one more name, made if need be."""
        first = self.path(digest)
        for number in itertools.count(1):
            spare = first.with_name(f"{digest}.{number}")
            if not spare.exists():
                # A unique name: another thread of this process may be making the same one.
                draft = spare.with_name(f".{spare.name}.{secrets.token_hex(8)}.draft")
                self._disk.clone(first, draft)
                self._disk.change_mode(draft, 0o400)
                self._disk.sync_file(draft)
                try:
                    self._disk.rename_new(draft, spare)
                except FileExistsError:  # another thread, or another board's seal, was quicker
                    self._disk.unlink(draft)
            try:
                self._disk.link_at(os.fspath(spare), name, at)
            except OSError as error:
                if error.errno != errno.EMLINK:
                    raise
            else:
                return

    def all(self) -> Iterator[ContentLinks]:
        """Yield every file of every content, spare copies next to their first."""
        for shard in SHARDS:
            yield from self.shard(shard)

    def shard(self, shard: str) -> list[ContentLinks]:
        """Return the files of contents whose digest begins with two digits, in order."""
        return sorted(self._files(self.root / shard))

    def _files(self, folder: Path) -> Iterator[ContentLinks]:
        with os.scandir(folder) as found:
            for item in found:
                spare = _SPARE.fullmatch(item.name)
                if spare is None and _NAME.fullmatch(item.name) is None:
                    continue
                state = item.stat(follow_symlinks=False)
                yield ContentLinks(
                    Digest(spare[1] if spare else item.name), folder / item.name, state.st_nlink,
                    state.st_size, state.st_blocks * 512, state.st_mtime,
                )  # fmt: skip

    def drafts(self) -> Iterator[Path]:
        """Yield what an interrupted copy left here."""
        for shard in SHARDS:
            yield from (self.root / shard).glob(".*.draft")
