"""A teller that tells nobody anything."""

from __future__ import annotations

from contextlib import nullcontext
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from contextlib import AbstractContextManager


class Silent:
    """Nobody is told."""

    def step(self, what: str) -> None:
        """Ignore."""

    def update(self, done: int, total: int) -> None:
        """Ignore."""

    def warn(self, text: str) -> None:
        """Ignore."""

    def muted(self) -> AbstractContextManager[None]:
        """Go on saying nothing."""
        return nullcontext()
