"""The state kept between nights (small: cards wear), and the status shown while it runs."""

from __future__ import annotations

from enum import StrEnum

from holdstill.model.layout import Record

SEALED = 0
DEGRADED = 8
"""Exit codes of runs that sealed a capture; every other is a failure (holdstill.errors)."""
UNFINISHED = 12
"""The exit code of a night that ended by its time before all was sent; errors.NightOverError."""
SILENT = -1
"""The code, beside exit codes, for: no good capture for days."""


class RunOutcome(Record, frozen=True, kw_only=True):
    """How one run ended.

    Attributes:
        at: when, by the board's clock (RFC 3339).
        code: its exit code.
        what, hint: what happened, and what to do, for a person.
        capture: the name of what was sealed, "" for nothing.
        warnings: what needs attention although it was sealed.
        clock_trusted: whether `at` is reliable.
        tries: runs in this night, this one included.
    """

    at: str
    code: int
    what: str
    hint: str = ""
    capture: str = ""
    seconds: float = 0.0
    frozen_ms: float = 0.0
    new_bytes: int = 0
    wire_bytes: int = 0
    warnings: tuple[str, ...] = ()
    clock_trusted: bool = True
    tries: int = 1

    @property
    def is_sealed(self) -> bool:
        """Whether there is a capture."""
        return self.code in {SEALED, DEGRADED}

    @property
    def is_unfinished(self) -> bool:
        """Whether there is none because the night was over, and nothing else was wrong."""
        return self.code == UNFINISHED


class Incident(Record, frozen=True, kw_only=True):
    """An open incident: since when, and which failures were reported (exit codes, SILENT)."""

    since: str = ""
    reported: tuple[int, ...] = ()


class Week(Record, frozen=True, kw_only=True):
    """The counts for the next weekly summary; unfinished: nights that ended by their time."""

    since: str = ""
    sealed: int = 0
    failed: int = 0
    unfinished: int = 0
    new_bytes: int = 0
    longest_frozen_ms: float = 0.0


class MessageKind(StrEnum):
    """What a message is about."""

    FAILURE = "failure"
    ATTENTION = "attention"
    SILENCE = "silence"
    RECOVERY = "recovery"
    SUMMARY = "summary"


class Message(Record, frozen=True, kw_only=True):
    """A message to people, until all have got it.

    Attributes:
        to: fingerprints of the addresses that have not got it yet; an address is a secret.
    """

    kind: MessageKind
    title: str
    body: str
    at: str
    to: tuple[str, ...] = ()


class NightlyState(Record, frozen=True, kw_only=True):
    """The one file that survives a power cut.

    Attributes:
        begun: when the nights began; silence counts from there.
        served: the latest local date whose run is over, well or not.
        summarised: the latest local date of a weekly summary.
        good: the last run that sealed; last: the last run of any kind.
        outbox: letters that could not be delivered yet, oldest first.
    """

    begun: str = ""
    served: str = ""
    summarised: str = ""
    good: RunOutcome | None = None
    last: RunOutcome | None = None
    trouble: Incident = Incident()
    week: Week = Week()
    outbox: tuple[Message, ...] = ()


class Phase(StrEnum):
    """What the daemon is doing."""

    CLOCK = "waiting for the clock"
    WAITING = "waiting for the night"
    SETTLING = "waiting for the board to settle"
    RETRYING = "waiting to try again"
    RUNNING = "capturing"


class AllDayCost(Record, frozen=True, kw_only=True):
    """What it costs the board that large files are followed from one capture to the next.

    Attributes:
        files: that are followed.
        cpu_seconds: of the processor, for draining the trace since it began.
        memory: bytes, most of them the kernel's for the trace.
        seconds: since the trace began.
    """

    files: int
    cpu_seconds: float
    memory: int
    seconds: int


class DaemonStatus(Record, frozen=True, kw_only=True):
    """What the daemon shows in memory while it runs; gone with the next boot.

    Attributes:
        due: when the next run is due (RFC 3339), "" while the clock is not reliable.
        step: what a run is doing.
        day: the local date that is being served; "" without a clock.
        tries: runs of this night that failed.
        ran: when the last run without a trusted clock ended, in seconds since boot; -1 for none.
        all_day: what following large files costs; None while none is followed.
    """

    phase: Phase
    due: str = ""
    step: str = ""
    day: str = ""
    tries: int = 0
    ran: float = -1.0
    all_day: AllDayCost | None = None
