"""The bytes of a round of copying, over all partitions: each partition counts from nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holdstill.workflow.ports import Progress


class RoundProgress:
    """Hears what was done of each partition, and tells what is done of all."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._whole = self._before = self._part = self._done = 0

    def begin(self, whole: int) -> None:
        """Begin a round of so many bytes; 0 for what nobody has counted."""
        self._whole = whole
        self._before = self._part = self._done = 0

    def update(self, done: int, total: int) -> None:
        """Take what is done of a partition, of how much of it."""
        if done < self._done or total != self._part:
            self._before += self._part
            self._part = total
        self._done = done
        whole = max(self._whole, self._before + total)
        self._progress.update(self._before + done, whole)

    def warn(self, text: str) -> None:
        """Show a warning."""
        self._progress.warn(text)
