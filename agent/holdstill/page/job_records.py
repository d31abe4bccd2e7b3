"""What an image or a rehearsal is ordered with, how far it is, and what came of it: plain data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from holdstill.model import sizes
from holdstill.model.layout import Record


class JobKind(StrEnum):
    """What is done."""

    IMAGE = "image"
    REHEARSAL = "rehearsal"


class Packing(StrEnum):
    """How an image is packed, by the end of its name."""

    NONE = ".img"
    ZST = ".img.zst"
    XZ = ".img.xz"
    ZIP = ".img.zip"


class JobState(StrEnum):
    """How far a job is."""

    WAITING = "waiting"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    CANCELLED = "cancelled"
    INTERRUPTED = "interrupted"
    """The page ended while it ran; it can be started again."""

    @property
    def has_ended(self) -> bool:
        """Whether nothing more comes of it."""
        return self not in {JobState.WAITING, JobState.RUNNING}


class Order(Record, frozen=True, kw_only=True):
    """What somebody wants done.

    Attributes:
        capture: its full name.
        disk: which disk of several, 1 for the first; `all` for all on one; "" where there is one.
        size: bytes of the image.
        sibling: name of the other board that is made; "" for a replacement of the same one.
        room: bytes of disk that it may take at most, while it is made.
    """

    kind: JobKind
    board: str
    capture: str
    disk: str = ""
    size: int = 0
    packing: Packing = Packing.NONE
    sibling: str = ""
    room: int = 0

    @property
    def file_name(self) -> str:
        """The name of the image: made of letters, digits, hyphens and dots."""
        number = self.capture.partition("-")[0]
        whose = f"{self.sibling}-from-{self.board}" if self.sibling else self.board
        disk = f"-disk-{self.disk}" if self.disk else ""
        return f"{whose}-{number}{disk}{self.packing}"


class JobStatus(Record, frozen=True, kw_only=True):
    """The state of a job, with its moments (RFC 3339; "" for not yet)."""

    state: JobState
    ordered_at: str
    began_at: str = ""
    ended_at: str = ""


class JobProgress(Record, frozen=True, kw_only=True):
    """What a job is at.

    Attributes:
        step: in words; number: which it is, of so many steps, as far as they are known.
        done, total: bytes of this step; 0 while they are not known.
        notes: warnings.
    """

    step: str = ""
    number: int = 0
    steps: int = 0
    done: int = 0
    total: int = 0
    notes: tuple[str, ...] = ()


class Outcome(Record, frozen=True, kw_only=True):
    """What came of a job.

    Attributes:
        problem, hint: why it failed, and what to do; "" if it did not.
        file, bytes, sha256: the image, as it lies on the disk, packed or not.
        headline: the result in a sentence.
        remarks: what is not as on the captured card, or would not be proven.
        is_good: whether all of the board is there and it should boot, or has booted.
    """

    problem: str = ""
    hint: str = ""
    file: str = ""
    bytes: int = 0
    sha256: str = ""
    headline: str = ""
    remarks: tuple[str, ...] = ()
    is_good: bool = False


@dataclass(frozen=True)
class Job:
    """A job as it is now.

    Attributes:
        id: 16 hexadecimal digits.
        place: how many run or wait before it, for one that waits.
    """

    id: str
    order: Order
    status: JobStatus
    progress: JobProgress
    outcome: Outcome | None = None
    place: int = 0

    @property
    def title(self) -> str:
        """What it is, in words."""
        of = f"{self.order.board}/{self.order.capture}"
        if self.order.kind is JobKind.REHEARSAL:
            return f"Rehearsal of {of}"
        return f"Image of {of}, {sizes.human(self.order.size)}"
