"""What the daemon keeps of large files from one capture to the next, so that a night reads little.

The block trace runs on, and of each file that the last capture followed it is remembered where its
pieces lay when they were read. The next run asks the trace what was written since, as between two
hot rounds: the rule is the same (`changed_pieces`), and no time stamp is in it either. It is all
in the memory of one process, so nothing of it outlives a reboot.

A run begins without it, and reads every file whole, if

- the keeper's newest capture is not the one that it was kept from,
- the clock was set, or the board slept, meanwhile,
- other disks are to be traced, or the trace could not be kept.

Of a single file nothing is known if it was deleted or its file system unmounted, if it has another
number, or if its list is not remembered. What the trace has lost makes every piece be read.
"""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING, NamedTuple

from holdstill.board import block_trace, inode_watch
from holdstill.board.block_trace import BlockTrace
from holdstill.model.nightly_state import AllDayCost

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from contextlib import AbstractContextManager

    from holdstill.board.changed_pieces import FileAsRead
    from holdstill.board.inode_watch import InodeWatch
    from holdstill.board.traced_disk import Disk, Untraced
    from holdstill.system.clocks import Clock

EXTENTS_MOST = 20_000
"""Extents of all files that are remembered, some 4 MB of memory; what has more is read anew."""
EXTENT_BYTES = 200
"""Of memory that an extent takes, about: a tuple of five, three of them numbers of its own."""
SET_BY = 0.5
"""Seconds by which the clock may differ from where it should be: reading both takes a moment."""


class FileInCapture(NamedTuple):
    """A followed file as a capture has it.

    Attributes:
        handle: the open file, as long as it is followed.
        known: what is known of what was read of it.
        digest: SHA-256 of its list of pieces.
    """

    device: int
    inode: int
    handle: int
    known: FileAsRead
    digest: bytes


class RememberedFile(NamedTuple):
    """A large file as a capture has it, and what is known of what was read.

    Attributes:
        watch: says whether it still is that file.
        digest: SHA-256 of its list of pieces.
    """

    part: int
    device: int
    inode: int
    watch: int
    known: FileAsRead
    digest: bytes


class AllDay:
    """Keeps trace and files; `opened` makes it. One run at a time uses it."""

    def __init__(
        self,
        clock: Clock,
        started: Callable[
            [Sequence[Disk], Clock], AbstractContextManager[BlockTrace | Untraced]
        ] = block_trace.started,
    ) -> None:
        self._clock, self._started = clock, started
        self._trace: BlockTrace | None = None
        self._since = 0.0
        self._tracing, self._watching = ExitStack(), ExitStack()
        self._watch: InodeWatch | None = None
        self._capture, self._set_to = "", 0.0
        self._files: tuple[RememberedFile, ...] = ()

    @contextmanager
    def traced(self, disks: Sequence[Disk]) -> Iterator[BlockTrace | Untraced]:
        """Have a trace of disks for the length of the block: that of the last run, or a new one.

        It runs on behind the block if there is a file to follow on.
        """
        trace = self._trace
        if trace is None or trace.disks != frozenset(disks):
            self.forget()
            self._since = self._clock.monotonic()
            begun = self._tracing.enter_context(self._started(disks, self._clock))
            if not isinstance(begun, BlockTrace):
                yield begun
                return
            self._trace = trace = begun
        trace.wake()
        try:
            yield trace
        finally:
            trace.rest()
            if not self._files:
                self.forget()

    def take(self, capture: str) -> Sequence[RememberedFile]:
        """Return, and forget, what was kept from a capture; nothing of any other, or in doubt.

        From the first look on the trace tells a run only what is new to that run.
        """
        files, self._files = self._files, ()
        is_set = abs(self._clock_reading() - self._set_to) > SET_BY
        return files if capture and capture == self._capture and not is_set else ()

    def lives(self, file: RememberedFile) -> bool:
        """Whether a file that is open now was there all the time since it was kept."""
        return self._watch is not None and self._watch.lives(file.watch)

    def keep(self, capture: str, files: Mapping[int, Sequence[FileInCapture]]) -> None:
        """Keep what is known of files, while they are open.

        Args:
            capture: what names it.
            files: by partition.
        """
        self._watching.close()
        self._watch, self._files = None, ()
        if not any(files.values()):
            return
        try:
            self._watch = self._watching.enter_context(inode_watch.opened())
            self._files = tuple(self._kept(self._watch, files))
        except OSError:  # no more can be watched: the next run reads whole
            self._files = ()
        self._capture, self._set_to = capture, self._clock_reading()

    def _kept(
        self, watch: InodeWatch, files: Mapping[int, Sequence[FileInCapture]]
    ) -> Iterator[RememberedFile]:
        room = EXTENTS_MOST
        for part, found in files.items():
            for file in found:
                if (room := room - len(file.known.extents) - len(file.known.doubts)) < 0:
                    return
                number = watch.watch(file.handle)
                yield RememberedFile(
                    part, file.device, file.inode, number, file.known, file.digest
                )

    def forget(self) -> None:
        """Keep nothing, and end the trace."""
        self._files, self._trace, self._watch = (), None, None
        self._watching.close()
        self._tracing.close()

    def cost(self) -> AllDayCost | None:
        """Return what it costs now; None while nothing is kept."""
        if self._trace is None:
            return None
        extents = sum(len(file.known.extents) for file in self._files)
        return AllDayCost(
            files=len(self._files),
            cpu_seconds=round(self._trace.cpu_seconds, 2),
            memory=self._trace.memory + extents * EXTENT_BYTES,
            seconds=round(self._clock.monotonic() - self._since),
        )

    def _clock_reading(self) -> float:
        """Return by how much the wall clock is ahead of the one that is never set."""
        return self._clock.now().timestamp() - self._clock.monotonic()


@contextmanager
def opened(clock: Clock) -> Iterator[AllDay]:
    """Keep trace and files for the length of the block."""
    kept = AllDay(clock)
    try:
        yield kept
    finally:
        kept.forget()
