"""Read unchanged files again, and check that they still have their digests.

An inode with the same number, change time and size was not written to through the file system.
If its bytes differ from those of the capture nevertheless, the card (or the way to it) is at
fault, and nothing else on the board would ever report it.
"""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from holdstill.model import paths
from holdstill.model.layout import Record
from holdstill.system import uncached_read

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.model.entries import Entry
    from holdstill.system.clocks import Clock


class RereadTree(Protocol):
    """The files of one mounted file system."""

    def open(self, entry: Entry) -> int:
        """Open an entry's content; the caller closes. OSError when it is gone or unreadable."""

    def is_same(self, entry: Entry, handle: int) -> bool:
        """Whether the open file has the inode, change time and size of the entry."""


class RereadFinding(Record, frozen=True, kw_only=True):
    """One file whose bytes changed although no process wrote to it.

    Attributes:
        path: inside its file system, for people.
    """

    part: int
    path: str
    problem: str


@dataclass(frozen=True)
class RereadBudget:
    """How much one run may take; 0 is no limit."""

    bytes: int = 0
    seconds: float = 0.0


@dataclass
class Meter:
    """What one run has done so far.

    Attributes:
        files, bytes: read again and found as they were, or named in findings.
        changed: files that were changed, or are gone, since the capture: they cannot be judged.
    """

    budget: RereadBudget
    clock: Clock
    rate: float = 0.0
    files: int = 0
    bytes: int = 0
    changed: int = 0
    findings: list[RereadFinding] = field(default_factory=list)
    began: float = field(init=False)

    def __post_init__(self) -> None:
        self.began = self.clock.monotonic()

    @property
    def is_spent(self) -> bool:
        """Whether the budget is used up."""
        spent = self.clock.monotonic() - self.began
        too_long = 0 < self.budget.seconds <= spent
        return too_long or 0 < self.budget.bytes <= self.bytes

    def count(self, size: int) -> None:
        """Count a file that was read; wait if too much was read too soon."""
        self.files += 1
        self.bytes += size
        if self.rate > 0:
            ahead = self.bytes / self.rate - (self.clock.monotonic() - self.began)
            self.clock.sleep(max(ahead, 0.0))


def reread(part: int, tree: RereadTree, entries: Iterable[Entry], meter: Meter) -> Entry | None:
    """Read files again until the budget is used up; return the last one that was dealt with."""
    last = None
    for entry in entries:
        if meter.is_spent:
            break
        problem = _problem(tree, entry, meter)
        if problem:
            path = paths.display(entry.path)
            meter.findings.append(RereadFinding(part=part, path=path, problem=problem))
        last = entry
    return last


def _problem(tree: RereadTree, entry: Entry, meter: Meter) -> str:
    """Read one file; return what is wrong with it, "" if nothing is or it cannot be judged."""
    try:
        handle = tree.open(entry)
    except OSError as error:
        if error.errno != errno.EIO:
            meter.changed += 1
            return ""
        return "the card does not give it back: " + os.strerror(errno.EIO)
    try:
        if not tree.is_same(entry, handle):
            meter.changed += 1
            return ""
        meter.count(entry.size)
        problem = _compared(entry, handle)
        if problem and not tree.is_same(entry, handle):
            meter.changed += 1  # it was written to while we read
            return ""
        return problem
    finally:
        os.close(handle)


def _compared(entry: Entry, handle: int) -> str:
    try:
        if uncached_read.hash_uncached(handle, entry.size) == entry.digest:
            return ""
        if uncached_read.hash_uncached(handle, entry.size) == entry.digest:
            return "read twice, it was wrong only once: the card, its contacts or the memory"
    except EOFError as error:
        return f"it ends too soon: {error}"
    except OSError as error:
        return f"the card does not give it back: {error.strerror}"
    return "other bytes than in the capture, although nobody wrote to it"
