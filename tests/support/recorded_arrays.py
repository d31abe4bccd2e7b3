"""Superblocks of members of arrays, as mdadm 4.2 and Linux 6.1 wrote them in a Debian 12 guest.

MIRROR_12: of a mirror called root whose second member is missing, at 4 KiB of 200 MiB. MIRROR_10:
of one called boot that has both, at the end of 100 MiB. STRIPE: of a RAID0, at 4 KiB of 200 MiB.
"""

from __future__ import annotations

import base64
import zlib
from typing import NamedTuple

MIB = 1 << 20


class Member(NamedTuple):
    """A partition of which nothing but the superblock was kept; zeroes elsewhere."""

    size: int
    at: int
    superblock: bytes

    def read(self, offset: int, length: int) -> bytes:
        """Return length bytes from offset."""
        start = offset - self.at
        if start >= len(self.superblock) or start + length <= 0:
            return bytes(length)
        padded = bytes(max(-start, 0)) + self.superblock[max(start, 0) :]
        return padded[:length].ljust(length, b"\0")

    def changed(self, byte: int, content: bytes) -> Member:
        """Return it with other bytes at a place of the superblock."""
        own = self.superblock
        return self._replace(superblock=own[:byte] + content + own[byte + len(content) :])


def _unpacked(packed: str) -> bytes:
    return zlib.decompress(base64.b85decode(packed))


MIRROR_12 = Member(200 * MIB, 4096, _unpacked(
    "c-"
    "s5pr@fMq0Rht5Y>w?PPHnAyc;Rqo&(zq0%+w;?+!U*#{QMFIEWjv=FB?R|&9GpD%P}z!0XR_gao|ukU%s5J!*F8K"
    "p$XsKh5mHY2dNYQi9_w@gR1)v1@DhOn$kdw{cs&46EKW|Q7{Td!6+C7qhJ(_f>AIEM!_f;5dZ)Z6C*|"
))  # fmt: skip
MIRROR_10 = Member(100 * MIB, 204784 * 512, _unpacked(
    "c-"
    "s5pr@fMq0RcK+J8k_jPb_%aqEnrPF=_h?GE<9mb5pF6^7Bg=umIyIzHAT;GowMC87{}fKs<N=)%O8OKQg$m=11Vf"
    ">z%y!<vu4}3D3F6z`()q<NyEv^P%<&LDl_-"
    "0zW;5wg#eXW`ye*iGX1gjDk@x3P!;w7zLwX6pVsVFbYP&hyVaz3?}X"
))  # fmt: skip
STRIPE = Member(200 * MIB, 4096, _unpacked(
    "c-s5pr@fMq0Rir0Jl%7|bhEuo*awz<PwF@eGE<9mb5pF+5{pY1umJNYzHAs9*&GHI1_mYuB7gvtHedr&95|E-"
    "&5U~7IPv1Q*!@u<bDNY4Kq@)V><5AWP{4Q0&8vYJ`+=_hKY{_nC>RB!U=)mkQ7{Td!6+C7qhJ(_f)N1#FBTrV"
))  # fmt: skip
