"""Which journal on another device belongs to which ext4.

Both have a superblock at the same place: that of the journal has its own UUID, that of the file
system the UUID of its journal (Linux Documentation/filesystems/ext4/super.rst: s_uuid,
s_journal_uuid; journal.rst: external journal devices have an ext4 superblock of their own).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.filesystems.ext4 import ext4_superblock

if TYPE_CHECKING:
    from holdstill.system.byte_source import ByteSource

_UUID, _JOURNAL_UUID, _LENGTH = 0x68, 0xD0, 16


def read_own_uuid(source: ByteSource) -> bytes:
    """Read a journal's own UUID; b"" for none.

    Raises:
        OSError, EOFError: it cannot be read.
    """
    return _read(source, _UUID)


def read_uuid_of_journal(source: ByteSource) -> bytes:
    """Read which journal a file system has; b"" where it names none.

    Raises:
        OSError, EOFError: it cannot be read.
    """
    return _read(source, _JOURNAL_UUID)


def _read(source: ByteSource, offset: int) -> bytes:
    found = source.read(ext4_superblock.OFFSET + offset, _LENGTH)
    return found if any(found) else b""
