"""Encrypt a new folder, or lock it: what fscrypt's tools do, by the kernel's own calls.

    fscrypt.py encrypt|lock FOLDER

Numbers and structures from linux/fscrypt.h. There is one key, the same for all folders.
"""

from __future__ import annotations

import fcntl
import os
import struct
import sys
from pathlib import Path

ADD_KEY = 0xC0506617
REMOVE_KEY = 0xC0406618
SET_POLICY = 0x800C6613
GET_POLICY = 0xC0096616
IDENTIFIER = 2
AES_256_XTS, AES_256_CTS, PAD_32 = 1, 4, 3
KEY = bytes(range(64))


def encrypt(folder: Path) -> None:
    """Add the key to the file system, and give a new folder a policy with it."""
    folder.mkdir()
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    asked = bytearray(struct.pack("<II32sII32x", IDENTIFIER, 0, b"", len(KEY), 0) + KEY)
    fcntl.ioctl(handle, ADD_KEY, asked)
    policy = struct.pack("<BBBB4x16s", 2, AES_256_XTS, AES_256_CTS, PAD_32, asked[8:24])
    fcntl.ioctl(handle, SET_POLICY, policy)
    os.close(handle)


def lock(folder: Path) -> None:
    """Take the key away that the folder's policy names."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    answer = bytearray(struct.pack("<Q", 24) + bytes(24))
    fcntl.ioctl(handle, GET_POLICY, answer)
    identifier = answer[16:32]
    os.close(handle)
    top = os.open(folder.parent, os.O_RDONLY | os.O_DIRECTORY)
    asked = bytearray(struct.pack("<II16s16xI20x", IDENTIFIER, 0, bytes(identifier), 0))
    fcntl.ioctl(top, REMOVE_KEY, asked)


def main() -> None:
    """Do what the words say."""
    {"encrypt": encrypt, "lock": lock}[sys.argv[1]](Path(sys.argv[2]))


if __name__ == "__main__":
    main()
