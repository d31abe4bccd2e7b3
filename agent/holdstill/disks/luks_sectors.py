"""Sectors of an encrypted container, encrypted and decrypted: AES in XTS mode.

Each block of `sector_size` bytes is one XTS data unit (IEEE Std 1619). Its tweak is the number of
its first 512 bytes, counted from the beginning of the content, in 128 bits, little-endian:
`plain64` (LUKS2 On-Disk Format Specification 1.1.1, 3.3; Linux drivers/md/dm-crypt.c).
"""

from __future__ import annotations

from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

CIPHER = "aes-xts-plain64"
"""The one cipher that is written here: what cryptsetup makes unless it is told otherwise."""
KEY_BITS = (256, 512)
"""Bits of its keys, which are two in one."""
_COUNTED = 512


class SectorCipher:
    """The cipher of one container."""

    def __init__(self, key: bytes, sector_size: int) -> None:
        """Prepare; key is the volume key, sector_size in bytes."""
        self._algorithm = algorithms.AES(key)
        self._size = sector_size

    def encrypted(self, data: bytes, position: int) -> bytes:
        """Encrypt whole sectors from a byte of the content on."""
        return b"".join(
            Cipher(self._algorithm, modes.XTS(tweak)).encryptor().update(sector)
            for sector, tweak in self._sectors(data, position)
        )

    def decrypted(self, data: bytes, position: int) -> bytes:
        """Decrypt whole sectors from a byte of the content on."""
        return b"".join(
            Cipher(self._algorithm, modes.XTS(tweak)).decryptor().update(sector)
            for sector, tweak in self._sectors(data, position)
        )

    def _sectors(self, data: bytes, position: int) -> list[tuple[bytes, bytes]]:
        return [
            (data[at : at + self._size], ((position + at) // _COUNTED).to_bytes(16, "little"))
            for at in range(0, len(data), self._size)
        ]
