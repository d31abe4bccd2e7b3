"""Signatures by ssh-keygen: OpenSSH PROTOCOL.sshsig, taken apart and checked by other code.

The example in that document lacks the hash_algorithm that its own section 2 requires, so it is
no test vector; what ssh-keygen really writes has all five fields.
"""

from __future__ import annotations

import base64
import hashlib
import struct
from typing import TYPE_CHECKING

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import (
    Ed25519PrivateKey,
    Ed25519PublicKey,
)

from holdstill.errors import SecurityError
from holdstill.model import names
from holdstill.records import signature, signature_in_process
from holdstill.system.process import Command, LocalRunner
from support import keys

if TYPE_CHECKING:
    from pathlib import Path

MACHINE = LocalRunner()
BOARD = names.check_board("pier-3")
DATA = b"format: 1\nchecksum: 0\n"
BEGIN, END = b"-----BEGIN SSH SIGNATURE-----", b"-----END SSH SIGNATURE-----"


def string(blob: bytes) -> tuple[bytes, bytes]:
    """Take one string of RFC 4251, section 5, from the front: length, then bytes."""
    (length,) = struct.unpack_from(">I", blob)
    assert len(blob) >= 4 + length
    return blob[4 : 4 + length], blob[4 + length :]


def as_string(data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + data


def fields(armoured: bytes) -> list[bytes]:
    """Take a signature file apart: the five strings behind magic and version."""
    lines = armoured.strip().splitlines()
    assert (lines[0], lines[-1]) == (BEGIN, END)
    blob = base64.b64decode(b"".join(lines[1:-1]), validate=True)
    assert blob[:6] == b"SSHSIG"
    assert struct.unpack_from(">I", blob, 6) == (1,)
    rest, found = blob[10:], []
    while rest:
        field, rest = string(rest)
        found.append(field)
    return found


@pytest.fixture
def pair(tmp_path: Path) -> keys.KeyPair:
    return keys.make_key(tmp_path / "board")


# PROTOCOL.sshsig, 2: public key, namespace, reserved, hash algorithm, signature. Lengths measured
# for an ed25519 key: 51, that of the namespace, 0, 6, 83.
def test_a_signature_has_the_five_fields_of_the_protocol(pair: keys.KeyPair) -> None:
    found = fields(signature.sign(DATA, pair.private, MACHINE))

    public, namespace, reserved, algorithm, inner = found
    assert public == base64.b64decode(pair.public.split()[1])
    assert (namespace, reserved, algorithm) == (signature.NAMESPACE.encode(), b"", b"sha512")
    assert [len(field) for field in found] == [51, len(namespace), 0, 6, 83]
    assert string(inner)[0] == b"ssh-ed25519"


# PROTOCOL.sshsig, 3: what is signed is SSHSIG, namespace, reserved, algorithm, H(message). The
# check is made by another implementation of Ed25519 (RFC 8032) than that of OpenSSH.
def test_another_implementation_accepts_the_signature(pair: keys.KeyPair) -> None:
    public, namespace, reserved, algorithm, inner = fields(
        signature.sign(DATA, pair.private, MACHINE)
    )
    _, raw_key = string(string(public)[1])[0], string(string(public)[1])[0]
    _, rest = string(inner)
    raw_signature, _ = string(rest)
    parts = (namespace, reserved, algorithm, hashlib.sha512(DATA).digest())
    message = b"SSHSIG" + b"".join(as_string(part) for part in parts)
    key = Ed25519PublicKey.from_public_bytes(raw_key)

    key.verify(raw_signature, message)
    with pytest.raises(InvalidSignature):
        key.verify(raw_signature, message + b"!")


# RFC 8032, 7.1, test 1: it says that the other implementation is one of Ed25519.
def test_the_other_implementation_passes_test_1_of_rfc_8032() -> None:
    private = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"
    public = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
    signed = (
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701"
        "cf9b46bd25bf5f0595bbe24655141438e7a100b"
    )

    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(private))

    assert key.public_key().public_bytes_raw().hex() == public
    assert key.sign(b"").hex() == signed


# FAULTS A17: Ed25519 is deterministic.
def test_signing_twice_gives_the_same_bytes(pair: keys.KeyPair) -> None:
    assert signature.sign(DATA, pair.private, MACHINE) == signature.sign(
        DATA, pair.private, MACHINE
    )


def test_a_good_signature_is_accepted_whichever_key_of_the_board_made_it(
    pair: keys.KeyPair, tmp_path: Path
) -> None:
    other = keys.make_key(tmp_path / "other")
    seal = signature.sign(DATA, pair.private, MACHINE)

    signature.verify(DATA, seal, board=BOARD, keys=[other.public, pair.public], runner=MACHINE)


def refused(data: bytes, seal: bytes, *allowed: str) -> None:
    with pytest.raises(SecurityError, match="not one of board pier-3"):
        signature.verify(data, seal, board=BOARD, keys=allowed, runner=MACHINE)


def test_s24_changed_bytes_are_refused(pair: keys.KeyPair) -> None:
    seal = signature.sign(DATA, pair.private, MACHINE)

    refused(DATA + b"\n", seal, pair.public)
    refused(DATA[:-1], seal, pair.public)


def test_s33_the_key_of_another_board_is_refused(pair: keys.KeyPair, tmp_path: Path) -> None:
    other = keys.make_key(tmp_path / "pier-4")
    seal = signature.sign(DATA, other.private, MACHINE)

    refused(DATA, seal, pair.public)


def test_s33_a_signature_for_another_purpose_is_refused(pair: keys.KeyPair) -> None:
    words = ("ssh-keygen", "-q", "-Y", "sign", "-n", "file", "-f", str(pair.private))
    seal = MACHINE.run(Command.of(*words), stdin=DATA)

    refused(DATA, seal, pair.public)


@pytest.mark.parametrize("seal", [b"", b"nonsense", BEGIN + b"\n" + END + b"\n"])
def test_s34_a_missing_or_empty_signature_is_refused(pair: keys.KeyPair, seal: bytes) -> None:
    refused(DATA, seal, pair.public)


def test_s34_a_board_without_keys_has_no_good_signature(pair: keys.KeyPair) -> None:
    refused(DATA, signature.sign(DATA, pair.private, MACHINE))


def test_s24_a_flipped_bit_in_the_signature_is_refused(pair: keys.KeyPair) -> None:
    seal = signature.sign(DATA, pair.private, MACHINE)
    for at in range(40, len(seal) - 40, 23):
        damaged = bytearray(seal)
        damaged[at] ^= 1

        refused(DATA, bytes(damaged), pair.public)


# What ssh-keygen made is judged by the quick check; it never calls anything bad by itself.
def test_the_check_in_this_process_finds_good_what_ssh_keygen_signed(
    pair: keys.KeyPair, tmp_path: Path
) -> None:
    other = keys.make_key(tmp_path / "other")
    seal = signature.sign(DATA, pair.private, MACHINE)

    assert signature_in_process.is_good(DATA, seal, keys=[other.public, pair.public])
    assert not signature_in_process.is_good(DATA, seal, keys=[other.public])
    assert not signature_in_process.is_good(DATA, seal, keys=[])
    assert not signature_in_process.is_good(DATA, b"", keys=[pair.public])
    assert not signature_in_process.is_good(DATA + b"\n", seal, keys=[pair.public])
    assert not signature_in_process.is_good(DATA, seal, keys=[f"{pair.public}\n{other.public}"])


def test_s24_the_check_in_this_process_knows_every_flipped_bit(pair: keys.KeyPair) -> None:
    seal = signature.sign(DATA, pair.private, MACHINE)
    head, tail = BEGIN + b"\n", b"\n" + END + b"\n"
    blob = base64.b64decode(seal.removeprefix(head).removesuffix(tail).replace(b"\n", b""))
    assert signature_in_process.is_good(
        DATA, head + base64.b64encode(blob) + tail, keys=[pair.public]
    )
    for bit in range(8 * len(blob)):
        damaged = bytearray(blob)
        damaged[bit // 8] ^= 1 << bit % 8
        armoured = head + base64.b64encode(damaged) + tail

        assert not signature_in_process.is_good(DATA, armoured, keys=[pair.public]), bit
    for more in (blob + b"\0", blob[:-1]):
        armoured = head + base64.b64encode(more) + tail
        assert not signature_in_process.is_good(DATA, armoured, keys=[pair.public])


@pytest.mark.parametrize("words", [("-n", "file"), ("-n", signature.NAMESPACE + "x")])
def test_s33_the_check_in_this_process_refuses_another_purpose(
    pair: keys.KeyPair, words: tuple[str, ...]
) -> None:
    sign = Command.of("ssh-keygen", "-q", "-Y", "sign", *words, "-f", str(pair.private))
    seal = MACHINE.run(sign, stdin=DATA)

    with pytest.raises(SecurityError, match="not one of board pier-3"):
        signature_in_process.verify(DATA, seal, board=BOARD, keys=[pair.public], runner=MACHINE)


# Both are good by PROTOCOL.sshsig; what this process leaves alone, ssh-keygen judges.
@pytest.mark.parametrize(("kind", "algorithm"), [("ecdsa", "sha512"), ("ed25519", "sha256")])
def test_what_is_written_otherwise_is_judged_by_ssh_keygen(
    tmp_path: Path, kind: str, algorithm: str
) -> None:
    private = tmp_path / "key"
    MACHINE.run(Command.of("ssh-keygen", "-q", "-t", kind, "-N", "", "-f", private))
    public = " ".join(private.with_suffix(".pub").read_text(encoding="ascii").split()[:2])
    words = ("ssh-keygen", "-q", "-Y", "sign", "-O", f"hashalg={algorithm}")
    seal = MACHINE.run(Command.of(*words, "-n", signature.NAMESPACE, "-f", private), stdin=DATA)

    assert not signature_in_process.is_good(DATA, seal, keys=[public])
    signature_in_process.verify(DATA, seal, board=BOARD, keys=[public], runner=MACHINE)
    with pytest.raises(SecurityError, match="not one of board pier-3"):
        signature_in_process.verify(DATA + b"!", seal, board=BOARD, keys=[public], runner=MACHINE)
