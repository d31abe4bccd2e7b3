"""Signatures that this process checks by itself, where there are many.

A program for each takes milliseconds. What is found good here is good; about anything else
ssh-keygen decides: a signature that is not, one of another kind of key, or one that is not written
as ssh-keygen writes it. So nothing is ever called bad here.

The format is OpenSSH's PROTOCOL.sshsig, sections 1 to 3; strings are those of RFC 4251, section 5,
keys and signatures of Ed25519 those of RFC 8709, sections 4 and 6.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
from typing import TYPE_CHECKING

from holdstill.records import signature as signatures

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.model.names import BoardName
    from holdstill.system.process import Runner

_BEGIN, _END = b"-----BEGIN SSH SIGNATURE-----\n", b"-----END SSH SIGNATURE-----\n"
_MAGIC = b"SSHSIG"
_VERSION = (1).to_bytes(4, "big")
_KIND = b"ssh-ed25519"
_HASH = b"sha512"
_KEY_BYTES, _SIGNATURE_BYTES = 32, 64


def verify(
    data: bytes, signature: bytes, *, board: BoardName, keys: Sequence[str], runner: Runner
) -> None:
    """Check that one of the board's public keys signed data (`records.signature.verify`).

    Raises:
        SecurityError, MachineError, CommandError: as there.
    """
    if not is_good(data, signature, keys=keys):
        signatures.verify(data, signature, board=board, keys=keys, runner=runner)


def is_good(data: bytes, signature: bytes, *, keys: Sequence[str]) -> bool:
    """Whether one of these Ed25519 keys, `type base64`, signed data; False also if unsure."""
    for key in keys:
        raw = _raw_key(key)
        made = _made_by(raw, signature) if raw else None
        if raw and made and _is_made(raw, made, _signed(data)):
            return True
    return False


def _raw_key(key: str) -> bytes:
    """Return the 32 bytes of an Ed25519 key; none if it is another one."""
    kind, _, text = key.partition(" ")
    try:
        blob = base64.b64decode(text, validate=True)
    except binascii.Error:
        return b""
    head = _string(_KIND) + _KEY_BYTES.to_bytes(4, "big")
    is_one = kind.encode() == _KIND and blob.startswith(head)
    return blob[len(head) :] if is_one and len(blob) == len(head) + _KEY_BYTES else b""


def _made_by(raw: bytes, armoured: bytes) -> bytes:
    """Return the 64 bytes of a signature by this key in our namespace; none if it is not that.

    Of the whole blob only these bytes can differ: all before them is known.
    """
    if not (armoured.startswith(_BEGIN) and armoured.endswith(_END)):
        return b""
    text = armoured[len(_BEGIN) : -len(_END)].replace(b"\n", b"")
    try:
        blob = base64.b64decode(text, validate=True)
    except binascii.Error:
        return b""
    public = _string(_string(_KIND) + _string(raw))
    length = len(_string(_KIND)) + 4 + _SIGNATURE_BYTES
    before = _MAGIC + _VERSION + public + _tail() + length.to_bytes(4, "big") + _string(_KIND)
    before += _SIGNATURE_BYTES.to_bytes(4, "big")
    is_whole = blob.startswith(before) and len(blob) == len(before) + _SIGNATURE_BYTES
    return blob[len(before) :] if is_whole else b""


def _signed(data: bytes) -> bytes:
    """Return what is signed in the place of data (section 3 there)."""
    return _MAGIC + _tail() + _string(hashlib.sha512(data).digest())


def _tail() -> bytes:
    """Return namespace, reserved and hash algorithm, which both blobs have."""
    return _string(signatures.NAMESPACE.encode()) + _string(b"") + _string(_HASH)


def _is_made(raw: bytes, made: bytes, signed: bytes) -> bool:
    from cryptography.exceptions import (  # noqa: PLC0415  takes its time
        InvalidSignature,
        UnsupportedAlgorithm,
    )
    from cryptography.hazmat.primitives.asymmetric.ed25519 import (  # noqa: PLC0415
        Ed25519PublicKey,
    )

    try:
        Ed25519PublicKey.from_public_bytes(raw).verify(made, signed)
    except (InvalidSignature, UnsupportedAlgorithm, ValueError):
        return False
    return True


def _string(value: bytes) -> bytes:
    return len(value).to_bytes(4, "big") + value
