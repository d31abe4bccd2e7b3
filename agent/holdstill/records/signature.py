r"""Signatures of manifests: SSH signatures (OpenSSH PROTOCOL.sshsig) by the board's key.

Anybody can check one without us:

    echo 'pier-3 namespaces="manifest@holdstill" ssh-ed25519 AAAA...' > signers
    ssh-keygen -Y verify -f signers -I pier-3 -n manifest@holdstill \
        -s manifest.yaml.sig < manifest.yaml
"""

from __future__ import annotations

import base64
import hashlib
import os
import re
from typing import TYPE_CHECKING, Protocol

from holdstill.errors import (
    CommandError,
    HoldstillError,
    MachineError,
    SecurityError,
    UsageError,
)
from holdstill.system import work_folder
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.model.names import BoardName
    from holdstill.system.process import Runner

NAMESPACE = "manifest@holdstill"
_NO_USER = b"No user exists for uid"
"""What ssh-keygen says when getpwuid(3) does not know who runs it (OpenSSH, ssh-keygen.c)."""
_NOT_RUN = frozenset({124, 126, 127})
"""How a program ends that ran out of time, or was never started; below 0: was killed."""
_JUDGED = 255
"""How ssh-keygen ends when it finds a signature or a key bad (seen of OpenSSH 9.2). When it cannot
even begin, as without /dev/null, it ends by 1."""
_PUBLIC = re.compile(r"(ssh-ed25519|ecdsa-sha2-nistp256) ([A-Za-z0-9+/]+={0,2})(?: [^\r\n]*)?\n?")


class VerifySignature(Protocol):
    """How a signature is checked: `verify`, or what remembers what that said."""

    def __call__(
        self,
        data: bytes,
        signature: bytes,
        *,
        board: BoardName,
        keys: Sequence[str],
        runner: Runner,
    ) -> None:
        """Check that one of the board's public keys signed data; raises what `verify` does."""


def check_public_key(line: str) -> str:
    """Return `type base64` of a public key line.

    Raises:
        SecurityError: it is not one ed25519 or P-256 key in OpenSSH's one-line form.
    """
    match = _PUBLIC.fullmatch(line)
    if match is None:
        raise SecurityError(
            "not an ed25519 (or ECDSA P-256) public key in one line",
            hint="give the content of the .pub file, one line, without options before it; "
            "`ssh-keygen -t ed25519` makes such keys",
        )
    return f"{match[1]} {match[2]}"


def is_public_key(line: str) -> bool:
    """Return whether `check_public_key` takes it."""
    return _PUBLIC.fullmatch(line) is not None


def fingerprint(public: str) -> str:
    """Return what `ssh-keygen -l` prints of a key, `type base64`: SHA256 in unpadded base64."""
    digest = hashlib.sha256(base64.b64decode(public.split()[1])).digest()
    return "SHA256:" + base64.b64encode(digest).decode().rstrip("=")


def public_half(key: Path, runner: Runner) -> str:
    """Return the public half of a private key file, as `type base64`.

    Raises:
        UsageError: there is no such key, or it has a passphrase.
        SecurityError: it is of a kind that no board has.
    """
    try:
        # -P "": a key with a passphrase fails at once instead of asking a terminal for it.
        line = runner.run(Command.of("ssh-keygen", "-y", "-P", "", "-f", key))
    except HoldstillError as error:
        raise UsageError(
            f"cannot use the key {key}: {_why_not(key, error)}",
            hint="name the board's private key, with --key or as `key` in its settings: one "
            f"without a passphrase; none but its owner may read it: `chmod 600 {key}`",
        ) from error
    return check_public_key(line.decode("ascii", "backslashreplace"))


def _why_not(key: Path, error: HoldstillError) -> str:
    """Return why ssh-keygen has not read a key."""
    try:
        key.open("rb").close()
    except FileNotFoundError:
        return "it is not there"
    except OSError as lacking:
        return f"it cannot be read: {lacking.strerror}"
    if not isinstance(error, CommandError) or error.status != _JUDGED:
        return str(error)  # ssh-keygen was not there, or has not looked at it to the end
    has_passphrase = b"passphrase" in error.words
    return "it has a passphrase" if has_passphrase else "it is no private key of OpenSSH"


def sign(data: bytes, key: Path, runner: Runner) -> bytes:
    """Sign data with an OpenSSH private key file; returns the armoured signature."""
    words = ("ssh-keygen", "-q", "-Y", "sign", "-n", NAMESPACE, "-f", str(key))
    return runner.run(Command.of(*words), stdin=data)


def verify(
    data: bytes, signature: bytes, *, board: BoardName, keys: Sequence[str], runner: Runner
) -> None:
    """Check that one of the board's public keys signed data.

    Raises:
        SecurityError: no.
        MachineError: it cannot be checked here, by this user, or ssh-keygen does not work.
        CommandError: ssh-keygen is missing, was killed, or ran out of time.
    """
    with work_folder.made() as folder:
        signers, seal = folder / "signers", folder / "signature"
        lines = [f'{board} namespaces="{NAMESPACE}" {check_public_key(key)}\n' for key in keys]
        signers.write_text("".join(lines), encoding="ascii")
        seal.write_bytes(signature)
        words = ("ssh-keygen", "-q", "-Y", "verify", "-n", NAMESPACE, "-I", str(board))
        try:
            runner.run(Command.of(*words, "-f", signers, "-s", seal), stdin=data)
        except CommandError as error:
            if error.status in _NOT_RUN or error.status < 0:
                raise
            if _NO_USER in error.words:
                raise MachineError(
                    f"signatures cannot be checked: ssh-keygen does not work for a user without "
                    f"a name (user id {os.geteuid()})",
                    hint="give that user id a name (a line in /etc/passwd), or run this as "
                    "another user; the signatures may well be good",
                ) from error
            if error.status != _JUDGED:
                raise MachineError(
                    f"signatures cannot be checked: {error}",
                    hint="see why ssh-keygen does not work for this user (`ssh-keygen -l -f` with "
                    "any key shows it); the signatures may well be good",
                ) from error
            output = " ".join(error.words.decode(errors="backslashreplace").split())
            raise SecurityError(
                f"the manifest's signature is not one of board {board} (ssh-keygen: {output})",
                hint="do not use this capture before you know why; "
                "`holdstill list` shows the others",
            ) from error
