"""What changed between two captures, or between a capture and the running board.

Entries are compared as two streams in key order, so memory stays flat however large the trees
are. On the running board only files are read that are not what they were: an inode with the
same number, change time and size has the content that it had.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.model.layout import Record

if TYPE_CHECKING:
    from holdstill.workflow.compare_sources import CompareSource

from holdstill.workflow.compare_disks import disk_changes, not_compared
from holdstill.workflow.compare_entries import (
    ChangeKind,
    CompareOptions,
    PartComparison,
    compare_part,
)
from holdstill.workflow.compare_packages import PackageChange, installed_changes


class Comparison(Record, frozen=True, kw_only=True):
    """What changed from before to after.

    Attributes:
        card: what differs about the card itself: table, file systems, boot gap.
        packages: None when a side does not list its packages.
        troubles: what could not be read.
        not_compared: what else may differ, and why nobody knows.
    """

    before: str
    after: str
    card: tuple[str, ...]
    parts: tuple[PartComparison, ...]
    packages: tuple[PackageChange, ...] | None
    troubles: tuple[str, ...] = ()
    not_compared: tuple[str, ...] = ()

    @property
    def is_same(self) -> bool:
        """Whether nothing differs of what was compared, times aside."""
        changed = any(
            count and kind != ChangeKind.TIME
            for part in self.parts
            for kind, count in part.counts.items()
        )
        return not (self.card or changed or self.packages)

    @property
    def is_complete(self) -> bool:
        """Whether all was compared that is in a capture."""
        return not (self.troubles or self.not_compared)


def compare(before: CompareSource, after: CompareSource, wish: CompareOptions) -> Comparison:
    """Return what changed from one side to the other."""
    numbers = sorted({part.number for side in (before, after) for part in side.parts})
    return Comparison(
        before=before.name,
        after=after.name,
        card=tuple(disk_changes(before, after)),
        parts=tuple(compare_part(number, before, after, wish) for number in numbers),
        packages=installed_changes(before, after),
        troubles=(*before.troubles(), *after.troubles()),
        not_compared=tuple(not_compared(before, after)),
    )
