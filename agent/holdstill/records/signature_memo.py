"""Remembers what was found of signatures, of which a keeper that runs for months sees many.

What is remembered is a verdict on bytes: of a manifest, its signature and a board's keys. Other
bytes, or other keys, are checked anew.
"""

from __future__ import annotations

import hashlib
from threading import Lock
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.records import signature_in_process

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.model.names import BoardName
    from holdstill.records.signature import VerifySignature
    from holdstill.system.process import Runner

MOST = 100_000
"""Verdicts that are remembered, some 150 bytes each; beyond that the oldest goes."""


class SignatureMemo:
    """Checks signatures, each once. Several threads may ask at once."""

    def __init__(
        self, verify: VerifySignature = signature_in_process.verify, most: int = MOST
    ) -> None:
        self._verify, self._most, self._lock = verify, most, Lock()
        self._known: dict[bytes, tuple[str, str] | None] = {}

    def __call__(
        self,
        data: bytes,
        signature: bytes,
        *,
        board: BoardName,
        keys: Sequence[str],
        runner: Runner,
    ) -> None:
        """Check that one of the board's public keys signed data.

        Raises:
            SecurityError: no.
            MachineError, CommandError: nobody can tell, which is not remembered.
        """
        key = _key(data, signature, board, keys)
        with self._lock:
            is_known, bad = key in self._known, self._known.get(key)
        if not is_known:
            bad = self._checked(data, signature, board, keys, runner)
            with self._lock:
                if len(self._known) >= self._most:
                    del self._known[next(iter(self._known))]
                self._known[key] = bad
        if bad is not None:
            raise SecurityError(bad[0], hint=bad[1])

    def _checked(
        self, data: bytes, signature: bytes, board: BoardName, keys: Sequence[str], runner: Runner
    ) -> tuple[str, str] | None:
        """Return what is wrong with a signature, and what to do; None if it is good."""
        try:
            self._verify(data, signature, board=board, keys=keys, runner=runner)
        except SecurityError as error:
            return str(error), error.hint
        return None


def _key(data: bytes, signature: bytes, board: BoardName, keys: Sequence[str]) -> bytes:
    """Return what stands for these bytes; each part has its length before it, or a fixed one."""
    parts = (data, signature, board.encode(), "\n".join(keys).encode())
    return hashlib.sha256(b"".join(hashlib.sha256(part).digest() for part in parts)).digest()
