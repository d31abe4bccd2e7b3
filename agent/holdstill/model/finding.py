"""What a capture lacks, or could not be rebuilt from: findings of the check for completeness."""

from __future__ import annotations

from enum import StrEnum

from holdstill.model.layout import Record


class FindingKind(StrEnum):
    """Why a finding matters."""

    MISSING = "missing"
    """It belongs to the board and is not in the capture, or nobody can tell that it is."""
    NOT_REBUILDABLE = "cannot be rebuilt"
    """It is in the capture, but a rebuilt card would not have it as it was."""
    LEFT_OUT = "left out"
    """Either of these, by the owner's word; or data that the system starts without."""


class Finding(Record, frozen=True, kw_only=True):
    """One thing that a capture of the board does not hold, or that a rebuild could not make.

    Attributes:
        what: the mount point, device or path, as `leave_out` in the settings may name it.
        why: what is the matter, as the rest of a sentence.
        hint: what to do next; "" when there is nothing to do.
    """

    kind: FindingKind
    what: str
    why: str
    hint: str = ""

    @property
    def is_serious(self) -> bool:
        """Whether somebody has to look at it."""
        return self.kind is not FindingKind.LEFT_OUT

    @property
    def sentence(self) -> str:
        """The finding in one line."""
        hint = f"; what to do: {self.hint}" if self.hint and self.is_serious else ""
        return f"{self.what}: {self.kind}: {self.why}{hint}"


def serious(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Return the findings that somebody has to look at."""
    return tuple(finding for finding in findings if finding.is_serious)


def counted(missing: int, not_rebuildable: int, left_out: int) -> str:
    """Return how many findings there are of each kind, in words; "" for none."""
    words = (
        (missing, FindingKind.MISSING),
        (not_rebuildable, FindingKind.NOT_REBUILDABLE),
        (left_out, FindingKind.LEFT_OUT),
    )
    return ", ".join(f"{count} {kind}" for count, kind in words if count)
