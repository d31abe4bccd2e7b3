"""What the workflows need of the parts that they bring together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path

    from holdstill.board.spool import Spool
    from holdstill.model.entries import Entry
    from holdstill.model.estimate import Stage
    from holdstill.model.protocol import (
        CaptureBrief,
        Hello,
        Ingested,
        Lacking,
        Proof,
        RunStarted,
        SealResult,
        WantedContent,
    )
    from holdstill.records.index_queries import Index
    from holdstill.transport.rsync import TransferMode, TransferResult


class Keeper(Protocol):
    """The host side, in this process or behind SSH; see holdstill.keeper for the promises."""

    def hello(self) -> Hello:
        """Return the keeper's free space and the newest good capture of this board."""

    def begin(self, client: str = "") -> RunStarted:
        """Begin a run, taking over what an interrupted one left.

        client: a word of the caller's own, to go on with its run when a connection was lost.
        """

    def lacking(self, wanted: Sequence[WantedContent], folder: int = 0) -> Lacking:
        """Return which of these contents must be sent, and which must be proven."""

    def prove(self, proofs: Sequence[Proof]) -> tuple[str, ...]:
        """Check proofs; return which contents must be sent all the same."""

    def ingest(self, digests: Sequence[str], folder: int = 0, *, is_cut: bool = False) -> Ingested:
        """Check what arrived, from the keeper's own disk, and take it into the store.

        is_cut: the transfer broke: what was being sent just then stays, to be gone on with.
        """

    def seal(self, manifest: bytes, signature: bytes) -> SealResult:
        """Make the capture visible, whole, or return what is lacking."""

    def abandon(self) -> None:
        """End the run without a capture; what arrived stays for the next one."""

    def captures(self) -> tuple[CaptureBrief, ...]:
        """Return this board's captures, oldest first."""


class BulkTransfer(Protocol):
    """Moves bulk bytes to the keeper."""

    def send(
        self, files: Mapping[str, Path], destination: str, *, shape: TransferMode
    ) -> TransferResult:
        """Put files at the destination under the names given."""


class ContentReader(Protocol):
    """Where the content of entries can be read: a live tree, or what the pause spooled."""

    @property
    def part(self) -> int:
        """The partition."""

    def open(self, entry: Entry) -> int:
        """Open an entry's content; the caller closes. OSError if it is gone or unreadable."""

    def path(self, entry: Entry) -> Path:
        """Return a path by which another program can read the same content."""

    def is_same(self, entry: Entry, handle: int) -> bool:
        """Whether the open file still has the entry's inode, size and ctime."""

    def older(self, entry: Entry) -> bytes:
        """Return the digest of an older content at the same path, b"" for none."""


class PausedTree(Protocol):
    """The files of one partition, inside the pause."""

    def stage(self, index: Index, spool: Spool, is_over: Callable[[], bool]) -> None:
        """Copy to memory, before the freeze, what is known to have changed, until time is over."""

    def prepare_freeze(self) -> None:
        """Prepare for the freeze, just before it."""

    def collect_frozen(self, index: Index, spool: Spool) -> None:
        """Find what changed since the last scan, and copy it to memory. Only reads."""


class TracedFiles(Protocol):
    """The large files of which the pause takes only what a trace tells was written."""

    def look(self) -> None:
        """Note what was written. Not in the pause: it makes the kernel write."""

    def alone(self) -> AbstractContextManager[None]:
        """Have no thread of the trace's at work in this block."""

    def look_frozen(self) -> None:
        """Ask what was written. Only reads."""


class StepProgress(Protocol):
    """Progress of one step."""

    def update(self, done: int, total: int) -> None:
        """Update the step's progress, in bytes."""

    def warn(self, text: str) -> None:
        """Show a warning."""


class Progress(StepProgress, Protocol):
    """Progress for a person, or a log. Never called inside the frozen span."""

    def expect(self, stages: Sequence[Stage]) -> None:
        """Say what is still to come after the step that is under way, in its order."""

    def step(self, what: str) -> None:
        """Begin a step of the work, called as it was expected to be."""

    def muted(self) -> AbstractContextManager[None]:
        """Print nothing, from any thread, for the length of the block."""
