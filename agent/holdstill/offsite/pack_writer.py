"""Fills a pack: contents in, one file out, in flat memory."""

from __future__ import annotations

import base64
import hashlib
import os
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import DamagedContentError
from holdstill.offsite import pack_format
from holdstill.offsite.pack_format import Row

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.offsite.recovery_key import KeeperKeys


class Pack(NamedTuple):
    """A pack that is complete.

    Attributes:
        name: SHA-256 of its bytes, 64 hexadecimal digits.
        size: bytes.
        md5: of its bytes, in base64, as Content-MD5 has it (RFC 1864).
        sealed_key: the pack's key, for the owner alone.
        rows: of its contents, packed.
    """

    name: str
    size: int
    md5: str
    sealed_key: bytes
    rows: bytes


class PackWriter:
    """A pack in the making. Its key is forgotten with this object.

    Args:
        path: a file that must not exist yet.
        keys: for whom it is sealed.
    """

    def __init__(self, path: Path, keys: KeeperKeys) -> None:
        self.path = path
        self._key = os.urandom(pack_format.KEY)
        self._sealed_key = keys.seal(self._key)
        self._rows = bytearray()
        self._records = self.size = 0
        self._name, self._md5 = hashlib.sha256(), hashlib.md5(usedforsecurity=False)
        self._file = path.open("xb")
        self._write(pack_format.header(self._sealed_key))

    @property
    def is_full(self) -> bool:
        """Whether it has the size that packs are to have."""
        return self.size >= pack_format.TARGET

    @property
    def contents(self) -> int:
        """How many contents it has."""
        return len(self._rows) // pack_format.ROW_SIZE

    def add(self, digest: bytes, handle: int) -> None:
        """Add a content from an open file, and check it on the way.

        Raises:
            DamagedContentError: its bytes do not have the digest; it has no row, and what was
                written of it can be opened by nobody.
            OSError: it cannot be read, or the pack not be written.
        """
        offset, first, total = self.size, self._records, hashlib.sha256()
        data = _read(handle, 0)
        position, segment = len(data), 0
        while True:
            following = _read(handle, position) if len(data) == pack_format.SEGMENT else b""
            total.update(data)
            record = pack_format.seal_record(
                data, self._key, self._records, digest, segment=segment, is_last=not following
            )
            self._write(record)
            self._records += 1
            segment += 1
            if not following:
                break
            data, position = following, position + len(following)
        if total.digest() != digest:
            raise DamagedContentError("the store's copy", digest.hex())
        self._rows += Row(digest, offset, self.size - offset, first).encode()

    def finish(self) -> Pack:
        """Complete the pack, also on the medium."""
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()
        md5 = base64.b64encode(self._md5.digest()).decode()
        return Pack(self._name.hexdigest(), self.size, md5, self._sealed_key, bytes(self._rows))

    def close(self) -> None:
        """Give up what is not complete."""
        self._file.close()

    def _write(self, data: bytes) -> None:
        self._file.write(data)
        self._name.update(data)
        self._md5.update(data)
        self.size += len(data)


def _read(handle: int, position: int) -> bytes:
    """Return the next segment of a file, shorter only at its end."""
    data = os.pread(handle, pack_format.SEGMENT, position)
    while 0 < len(data) < pack_format.SEGMENT:
        more = os.pread(handle, pack_format.SEGMENT - len(data), position + len(data))
        if not more:
            break
        data += more
    return data
