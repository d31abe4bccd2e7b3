"""Who is let in: sessions, in the memory of the server that made them.

A browser has a token in a cookie. Here is only its SHA-256, so that nothing that could be read out
of a list of sessions lets anybody in. A session that was ended is gone, whoever has its cookie.
"""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holdstill.page.roles import Role
    from holdstill.system.clocks import Clock

TOKEN_BYTES = 32
"""256 bits from the kernel: nobody guesses one (common practice: 128 and more)."""
LASTS = 12 * 3600.0
"""Seconds after which a session ends, used or not: a working day."""
MOST = 200
"""Sessions at a time; beyond that the oldest ends."""


@dataclass(frozen=True)
class Session:
    """Somebody who was let in.

    Attributes:
        ends: by the clock that is never set.
    """

    role: Role
    ends: float


def hashed(token: str) -> str:
    """Return by what a token is known to us: its SHA-256."""
    return hashlib.sha256(token.encode(errors="replace")).hexdigest()


def new_token() -> str:
    """Return a token that nobody can guess, fit for an address and a cookie."""
    return secrets.token_urlsafe(TOKEN_BYTES)


class Sessions:
    """The sessions of one server. Several threads may use them at once."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._lock = clock, Lock()
        self._by_hash: dict[str, Session] = {}

    def begin(self, role: Role) -> str:
        """Begin a session; return its token."""
        token = new_token()
        with self._lock:
            while len(self._by_hash) >= MOST:
                del self._by_hash[next(iter(self._by_hash))]
            self._by_hash[hashed(token)] = Session(role, self._clock.monotonic() + LASTS)
        return token

    def find(self, token: str) -> Session | None:
        """Return the session with this token; None for an unknown one, or one that has ended."""
        with self._lock:
            found = self._by_hash.get(hashed(token))
        return found if found and found.ends > self._clock.monotonic() else None

    def end(self, token: str) -> None:
        """End a session, if it is there."""
        with self._lock:
            self._by_hash.pop(hashed(token), None)
