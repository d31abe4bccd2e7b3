"""The owner's recovery key, and what of it the keeper has.

32 bytes on paper, or on another machine. Three things are derived from them by BLAKE2b (RFC
7693), each with a personalisation of its own:

    box     the private X25519 key. Its public half is all that sealing needs; who has only that
            can open nothing that it sealed.
    heads   the key under which heads are sealed. The keeper has it: so it finds out what it has
            sent when its own notes are lost, and who has nothing but the key of the bucket cannot
            make a head that is taken for the keeper's.
    paper   eight bytes, the last line on the paper: they show that the others are of one key, and
            in their order.
"""

from __future__ import annotations

import base64
import hashlib
import os
from typing import NamedTuple

from nacl.exceptions import CryptoError
from nacl.public import PrivateKey, PublicKey, SealedBox

from holdstill.errors import SecurityError, UsageError
from holdstill.offsite import rfc1751

SIZE = 32
LINES = 5
"""Lines of six words on paper, of which the last one checks the others."""
_BOX, _HEADS, _PAPER = b"holdstill box", b"holdstill heads", b"holdstill paper"
_PUBLIC, _PROOF = b"holdstill public", b"holdstill proof"
_FINGERPRINT = b"holdstill finger"
_TEXT_VERSION = b"\x01"
_CHECK = 4
"""Bytes at the end of the keeper's part as text that check it."""


class KeeperKeys(NamedTuple):
    """What the keeper has of a recovery key: public half and key of heads, 32 bytes each."""

    recipient: bytes
    heads: bytes

    def seal(self, key: bytes) -> bytes:
        """Seal a pack's key for the owner (libsodium, crypto_box_seal): 48 bytes more."""
        return SealedBox(PublicKey(self.recipient)).encrypt(key)

    @property
    def text(self) -> str:
        """Both as text, for who types or pastes it at the keeper: base64, with a check."""
        data = _TEXT_VERSION + self.recipient + self.heads
        return base64.b64encode(data + _derived(data, _PUBLIC, _CHECK)).decode()

    @classmethod
    def of_text(cls, text: str) -> KeeperKeys:
        """Read `text`.

        Raises:
            UsageError: it is none, or was not copied as it was.
        """
        try:
            given = base64.b64decode(text.strip(), validate=True)
        except ValueError:
            given = b""
        data, check = given[:-_CHECK], given[-_CHECK:]
        is_one = len(data) == 1 + 2 * SIZE and data[:1] == _TEXT_VERSION
        if not is_one or check != _derived(data, _PUBLIC, _CHECK):
            raise UsageError(
                "this is not the keeper's part of a recovery key, or not copied as it was",
                hint="`holdstill offsite key` prints it in its last line: copy all of that",
            )
        return cls(data[1 : 1 + SIZE], data[1 + SIZE :])

    @property
    def fingerprint(self) -> str:
        """What tells one recovery key from another, and opens nothing: 8 hexadecimal digits."""
        told = self.recipient + self.heads
        return hashlib.blake2b(told, digest_size=4, person=_FINGERPRINT).hexdigest()

    def proof(self, keeper: str) -> str:
        """Return what shows that somebody had the whole key, and opened what a keeper has sent.

        It guards against a paper that is wrong or illegible, not against the keeper.
        """
        told = keeper.encode() + self.recipient
        return hashlib.blake2b(told, digest_size=8, key=self.heads, person=_PROOF).hexdigest()


class RecoveryKey:
    """The whole key: opens what keepers have sealed for it."""

    def __init__(self, seed: bytes) -> None:
        if len(seed) != SIZE:
            raise UsageError(
                f"a recovery key has {LINES} lines of {rfc1751.GROUP} words",
                hint="give all lines, in their order",
            )
        self.seed = seed
        self._private = PrivateKey(_derived(seed, _BOX))

    @classmethod
    def made(cls) -> RecoveryKey:
        """Make a new one, from the kernel's random numbers."""
        return cls(os.urandom(SIZE))

    @classmethod
    def of_words(cls, text: str) -> RecoveryKey:
        """Read one as it was written down; papers of before have no line that checks the others.

        Raises:
            UsageError: a word is wrong, some are missing, or lines do not belong together.
        """
        data = rfc1751.decode(text)
        seed, check = data[:SIZE], data[SIZE:]
        if check and check != _check_of(seed):
            raise UsageError(
                "the lines of the recovery key do not belong together",
                hint=f"give all {LINES} lines of one paper, in their order; a word that is wrong "
                "can look right by itself, so read each again",
            )
        return cls(seed)

    @property
    def lines(self) -> tuple[str, ...]:
        """The words, a line for each eight bytes, and the line that checks them."""
        words = rfc1751.encode(self.seed + _check_of(self.seed))
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


def _check_of(seed: bytes) -> bytes:
    return _derived(seed, _PAPER, 8)


def _derived(seed: bytes, purpose: bytes, size: int = SIZE) -> bytes:
    return hashlib.blake2b(seed, digest_size=size, person=purpose).digest()
