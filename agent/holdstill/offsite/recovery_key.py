"""The owner's recovery key, and what of it the keeper has.

32 bytes on paper, or on another machine. Two things are derived from them by BLAKE2b (RFC 7693),
each with a personalisation of its own:

    box     the private X25519 key. Its public half is all that sealing needs; who has only that
            can open nothing that it sealed.
    heads   the key under which heads are sealed. The keeper has it: so it finds out what it has
            sent when its own notes are lost, and who has nothing but the key of the bucket cannot
            make a head that is taken for the keeper's.
"""

from __future__ import annotations

import hashlib
import os
from typing import NamedTuple

from nacl.exceptions import CryptoError
from nacl.public import PrivateKey, PublicKey, SealedBox

from holdstill.errors import SecurityError, UsageError
from holdstill.offsite import rfc1751

SIZE = 32
LINES = 4
"""Lines of six words on paper."""
_BOX, _HEADS = b"holdstill box", b"holdstill heads"


class KeeperKeys(NamedTuple):
    """What the keeper has of a recovery key: public half and key of heads, 32 bytes each."""

    recipient: bytes
    heads: bytes

    def seal(self, key: bytes) -> bytes:
        """Seal a pack's key for the owner (libsodium, crypto_box_seal): 48 bytes more."""
        return SealedBox(PublicKey(self.recipient)).encrypt(key)


class RecoveryKey:
    """The whole key: opens what keepers have sealed for it."""

    def __init__(self, seed: bytes) -> None:
        if len(seed) != SIZE:
            raise UsageError(
                f"a recovery key has {LINES} lines of {rfc1751.GROUP} words",
                hint="type all lines, in their order",
            )
        self.seed = seed
        self._private = PrivateKey(_derived(seed, _BOX))

    @classmethod
    def made(cls) -> RecoveryKey:
        """Make a new one, from the kernel's random numbers."""
        return cls(os.urandom(SIZE))

    @classmethod
    def of_words(cls, text: str) -> RecoveryKey:
        """Read one as it was written down.

        Raises:
            UsageError: a word is wrong, or some are missing.
        """
        return cls(rfc1751.decode(text))

    @property
    def lines(self) -> tuple[str, ...]:
        """The words, a line for each eight bytes."""
        words = rfc1751.encode(self.seed)
        step = rfc1751.GROUP
        return tuple(" ".join(words[at : at + step]) for at in range(0, len(words), step))

    @property
    def of_keeper(self) -> KeeperKeys:
        """What the keeper needs, and what opens none of the contents."""
        return KeeperKeys(bytes(self._private.public_key), _derived(self.seed, _HEADS))

    def unseal(self, sealed: bytes) -> bytes:
        """Return the key of a pack that was sealed for this one.

        Raises:
            SecurityError: it was sealed for another one, altered, or is no key.
        """
        try:
            found = SealedBox(self._private).decrypt(sealed)
        except (CryptoError, TypeError, ValueError) as error:
            raise SecurityError("the key of a pack was not sealed for this one") from error
        if len(found) != SIZE:
            raise SecurityError("the key of a pack has not the size of one")
        return found


def _derived(seed: bytes, purpose: bytes) -> bytes:
    return hashlib.blake2b(seed, digest_size=SIZE, person=purpose).digest()
