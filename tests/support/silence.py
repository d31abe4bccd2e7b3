"""A teller that tells nobody anything."""

from __future__ import annotations

from contextlib import nullcontext
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import AbstractContextManager

    from holdstill.model.estimate import Stage


class Silent:
    """Nobody is told."""

    def expect(self, stages: Sequence[Stage]) -> None:
        """Ignore."""

    def step(self, what: str) -> None:
        """Ignore."""

    def update(self, done: int, total: int) -> None:
        """Ignore."""

    def warn(self, text: str) -> None:
        """Ignore."""

    def muted(self) -> AbstractContextManager[None]:
        """Go on saying nothing."""
        return nullcontext()
