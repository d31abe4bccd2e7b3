"""Fills a pack: contents in, one file out, in flat memory, sealed on all processors."""

from __future__ import annotations

import base64
import hashlib
import os
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import DamagedContentError
from holdstill.offsite import pack_format
from holdstill.offsite.pack_format import Row
from holdstill.offsite.seal_ahead import Record, SealAhead

if TYPE_CHECKING:
    from collections.abc import Iterator
    from concurrent.futures import ThreadPoolExecutor
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
        pool: of threads that seal.

    Attributes:
        contents: how many it has.
        size: bytes that are written; some more may be under way.
    """

    def __init__(self, path: Path, keys: KeeperKeys, pool: ThreadPoolExecutor) -> None:
        self.path = path
        key = os.urandom(pack_format.KEY)
        self._sealed_key = keys.seal(key)
        self._ahead = SealAhead(pool, key, self._take)
        self._rows = bytearray()
        self._records = self._offset = self._first = self.contents = self.size = 0
        self._name, self._md5 = hashlib.sha256(), hashlib.md5(usedforsecurity=False)
        self._failure: OSError | None = None
        self._file = path.open("xb")
        self._write(pack_format.header(self._sealed_key))

    @property
    def is_full(self) -> bool:
        """Whether it has the size that packs are to have, or as many contents as are told of."""
        return self.size >= pack_format.TARGET or self.contents >= pack_format.CONTENTS

    def add(self, digest: bytes, handle: int) -> None:
        """Add a content from an open file, and check it on the way.

        Raises:
            DamagedContentError: its bytes do not have the digest; it has no row, and what was
                written of it can be opened by nobody.
            OSError: it cannot be read, or the pack not be written.
        """
        total, is_good = hashlib.sha256(), False
        for segment, (data, is_last) in enumerate(_segments(handle)):
            total.update(data)
            is_good = is_last and total.digest() == digest
            # Counted first: a number is used once, whatever fails, for it is the nonce.
            number = self._records
            self._records += 1
            self._ahead.add(Record(data, digest, number, segment, is_last, is_good))
        if not is_good:
            raise DamagedContentError("the store's copy", digest.hex())
        self.contents += 1

    def _take(self, record: Record, sealed: bytes) -> None:
        """Write a record, and note its content when that is complete.

        After one that could not be written the pack lacks what was taken for added: it is given
        up, and whoever goes on with it meets the same error.
        """
        if self._failure is not None:
            raise self._failure
        if record.segment == 0:
            self._offset, self._first = self.size, record.number
        self._write(sealed)
        if record.is_good:
            length = self.size - self._offset
            self._rows += Row(record.digest, self._offset, length, self._first).encode()

    def finish(self) -> Pack:
        """Complete the pack. Its file is scratch: after a crash the pack is made again."""
        self._ahead.finish()
        if self._failure is not None:
            raise self._failure
        self._file.close()
        md5 = base64.b64encode(self._md5.digest()).decode()
        return Pack(self._name.hexdigest(), self.size, md5, self._sealed_key, bytes(self._rows))

    def close(self) -> None:
        """Give up what is not complete."""
        self._file.close()

    def _write(self, data: bytes) -> None:
        try:
            self._file.write(data)
        except OSError as error:
            self._failure = error
            raise
        self._name.update(data)
        self._md5.update(data)
        self.size += len(data)


def _segments(handle: int) -> Iterator[tuple[bytes, bool]]:
    """Yield the segments of a file, each with whether it is the last; an empty file has one."""
    data = _read(handle, 0)
    position = len(data)
    while len(data) == pack_format.SEGMENT and (following := _read(handle, position)):
        yield data, False
        data, position = following, position + len(following)
    yield data, True


def _read(handle: int, position: int) -> bytes:
    """Return the next segment of a file, shorter only at its end."""
    data = os.pread(handle, pack_format.SEGMENT, position)
    while 0 < len(data) < pack_format.SEGMENT:
        more = os.pread(handle, pack_format.SEGMENT - len(data), position + len(data))
        if not more:
            break
        data += more
    return data
