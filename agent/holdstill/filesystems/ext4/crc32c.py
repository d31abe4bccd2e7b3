"""CRC-32C (Castagnoli), by which ext4 guards its metadata: RFC 3720, 12.1."""

from __future__ import annotations

_POLYNOMIAL = 0x82F63B78  # 0x1EDC6F41, bits reversed


def _table_entry(value: int) -> int:
    for _ in range(8):
        value = value >> 1 ^ (_POLYNOMIAL if value & 1 else 0)
    return value


_TABLE = tuple(_table_entry(byte) for byte in range(256))


def crc32c(data: bytes, start: int = 0xFFFFFFFF) -> int:
    """Return the checksum as ext4 stores it: without the final inversion of RFC 3720."""
    value = start
    for byte in data:
        value = value >> 8 ^ _TABLE[(value ^ byte) & 0xFF]
    return value
