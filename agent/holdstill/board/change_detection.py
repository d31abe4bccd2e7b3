"""Results of change detection: what changed since the last scan.

On ext4 the inode tables are read from the mounted block device: some 10 ms for 150,000 inodes,
in one near-sequential pass, where any walk needs a random read for every directory. The ctime of
every inode is compared with the one seen before, for difference and never for order. It is exact,
needs no process to watch between captures, and survives reboots.

Elsewhere every file is checked again (`stat_detector`), once in a capture where the kernel
reports what happens after that (`fanotify`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.board.ctime_window import CtimeWindow
    from holdstill.model.entries import Seen


@dataclass(frozen=True)
class ChangedInodes:
    """Everything else is as it was: its entries, and the content of its files.

    Attributes:
        by_ctime: of these inodes nothing more is known than that they may have changed: their
            ctime tells, unless it is recent.
        recent: ctimes that are no proof of an unchanged content.
    """

    numbers: frozenset[int]
    by_ctime: frozenset[int] = frozenset()
    recent: CtimeWindow | None = None

    def trusts(self, seen: Seen) -> bool:
        """Whether the content of a file that is still as seen cannot have changed."""
        if seen.inode == 0 or seen.inode not in self.numbers:
            return seen.inode != 0
        if self.recent is None or seen.inode not in self.by_ctime:
            return False
        return not self.recent.has(seen.ctime_ns)


@dataclass(frozen=True)
class EverythingMayHaveChanged:
    """Every file must be checked again.

    Attributes:
        why: for the report.
        recent: ctimes that are no proof of an unchanged content; None: no ctime is.
        doubted: inodes whose content must not be taken for unchanged, whatever their ctime.
    """

    why: str
    recent: CtimeWindow | None
    doubted: frozenset[int] = frozenset()

    def trusts(self, seen: Seen) -> bool:
        """Whether the content of a file that is still as seen cannot have changed."""
        if self.recent is None or seen.inode in self.doubted:
            return False
        return not self.recent.has(seen.ctime_ns)


Changes = ChangedInodes | EverythingMayHaveChanged


class Detector(Protocol):
    """What finds changes. What it reported it reports again until `confirm` is called."""

    @property
    def name(self) -> str:
        """What the manifest calls it."""

    def changes(self) -> Changes:
        """Sync the file system and return what changed since the confirmed scan."""

    def prepare_freeze(self) -> None:
        """Prepare for `frozen_changes`; the last moment to read anything else."""

    def frozen_changes(self) -> Changes:
        """Do the same while the file system is frozen or read-only. Only reads."""

    def confirm(self) -> None:
        """Record that what was last reported has reached the index."""

    def doubt(self, inodes: Iterable[int]) -> None:
        """Report these inodes next time whether they changed or not."""

    def remember(self, bound_to: str) -> bytes:
        """Return the confirmed scan for the next capture; bound_to names its index."""
