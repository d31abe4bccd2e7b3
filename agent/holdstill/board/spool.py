"""Memory that receives what changed last, in the pause and just before: a file for each content.

The pause is as long as this copying takes, so that nothing is done here that can be done later:
no hashing, no flushing, no network.
"""

from __future__ import annotations

import errno
import os
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, Self

from holdstill.errors import PauseError, PreflightError
from holdstill.system import file_status, files, work_folder

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from contextlib import AbstractContextManager
    from types import TracebackType

    from holdstill.system.clocks import Clock

PAGE = 4096
PER_FILE = 1024
"""Bytes of kernel memory that a file on a tmpfs takes beside its pages, about."""
RESERVE = 1 << 20
"""Bytes of the tmpfs that are left to others."""
SENDFILE_MOST = 1 << 30
PREFIX = "spool-"
MEMINFO = Path("/proc/meminfo")
RATE_FROM = 8 << 20
"""Bytes from which on the time for copying them tells a rate."""
FLOOR = 16 << 20
"""Bytes of free memory below which no spool is opened."""


class SpoolFullError(PauseError):
    """The delta does not fit the memory that it may take."""


class ChangedError(PauseError):
    """A file changed while it was copied."""


class Spooled(NamedTuple):
    """One content in the spool."""

    directory: str
    name: str
    size: int

    @property
    def path(self) -> Path:
        """Where it is until the spool is closed."""
        return Path(self.directory, self.name)


class StagedContent(NamedTuple):
    """A content that is begun before the pause.

    Attributes:
        memory: bytes that it takes already, by the offsets of its parts.
    """

    spooled: Spooled
    memory: dict[int, int]


@dataclass
class CopyTiming:
    """How much was copied, in which time, also when the copying failed."""

    bytes: int = 0
    seconds: float = 0.0

    @property
    def rate(self) -> float:
        """Bytes a second; 0 when too little was copied to tell."""
        enough = self.bytes > RATE_FROM and self.seconds > 0
        return self.bytes / self.seconds if enough else 0.0


class Spool:
    """A directory on a tmpfs that is filled up to a limit, and gone at the end of its block.

    Args:
        directory: on a tmpfs, ours alone; `tmpfs.choose` finds one.
        limit: bytes of memory that it may take.
    """

    def __init__(self, directory: Path, limit: int) -> None:
        self.limit = limit
        self.used = 0
        self._copied = 0
        self._timed = CopyTiming()
        self._parent = directory
        self._count = 0
        self._handle = -1
        self._place = ""
        self._undo = ExitStack()

    def __enter__(self) -> Self:
        with ExitStack() as undo:
            place = undo.enter_context(work_folder.made(self._parent, prefix=PREFIX))
            flags = os.O_RDONLY | os.O_DIRECTORY
            self._handle = undo.enter_context(files.opened(place, flags))
            self._place = str(place)
            self._undo = undo.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._undo.close()
        self._handle = -1

    @property
    def directory(self) -> Path:
        """Its directory, for what else has to be in memory while it is open."""
        return Path(self._place)

    @property
    def left(self) -> int:
        """Bytes that still fit."""
        return self.limit - self.used

    @property
    def copied_timed(self) -> int:
        """Bytes that were copied in timed blocks."""
        return self._timed.bytes

    @property
    def rate(self) -> float:
        """Bytes a second that were copied in timed blocks; 0 when it is too little to tell."""
        return self._timed.rate

    def check_room(self, size: int) -> None:
        """Raise SpoolFullError if so many bytes more do not fit."""
        if size > self.left:
            raise self._full()

    def clear(self) -> None:
        """Remove all contents; what else is in its directory stays."""
        for number in range(self._count):
            with suppress(FileNotFoundError):
                os.unlink(f"{number:x}", dir_fd=self._handle)
        self.used = 0

    @contextmanager
    def timed(self, clock: Clock) -> Iterator[None]:
        """Measure the block, however it ends, for the rate."""
        began, before = clock.monotonic(), self._copied
        try:
            yield
        finally:
            self._timed.bytes += self._copied - before
            self._timed.seconds += clock.monotonic() - began

    def copy(self, handle: int, size: int) -> Spooled:
        """Copy an open file of this size; holes stay holes.

        Raises:
            SpoolFullError: it does not fit; nothing of it stays.
            ChangedError: it has another size, or was changed meanwhile; nothing of it stays.
            OSError: EIO and the like from the file.
        """
        before = file_status.of_handle(handle)
        used, name = self.used, f"{self._count:x}"
        self._count += 1
        self._take(PER_FILE)
        out = self._create(name)
        try:
            self._fill(out, handle, before, size)
        except BaseException:
            os.unlink(name, dir_fd=self._handle)
            self.used = used
            raise
        finally:
            os.close(out)
        return Spooled(self._place, name, size)

    def copy_live(self, handle: int) -> Spooled:
        """Copy an open file up to its present end, even while it is written to; holes stay holes.

        What was written meanwhile is in the copy or not, piece by piece.

        Raises:
            SpoolFullError: it does not fit; nothing of it stays.
            OSError: EIO and the like from the file.
        """
        size = file_status.of_handle(handle).st_size
        with self._one(size) as (out, spooled):
            self._copy_data(out, handle, size)
        return spooled

    def stage(self, size: int, parts: Iterable[tuple[int, bytes]]) -> StagedContent:
        """Begin a content of this size with parts, each (offset, data); all else is a hole.

        Raises:
            SpoolFullError: they do not fit; nothing of them stays.
            OSError: whatever the parts raise.
        """
        memory: dict[int, int] = {}
        with self._one(size) as (out, spooled):
            for offset, data in parts:
                memory[offset] = _pages(len(data))
                self._take(memory[offset])
                self._write(out, data, offset)
        return StagedContent(spooled, memory)

    def copy_ranges(
        self,
        handle: int,
        size: int,
        spans: Iterable[tuple[int, int]],
        staged: StagedContent | None = None,
    ) -> Spooled:
        """Copy parts of an open file; all else becomes a hole.

        Args:
            handle: of the file.
            size: that it must have.
            spans: the parts, each (start, end).
            staged: what was begun of it, if anything, whose parts stay unless copied once more.

        Raises:
            SpoolFullError: they do not fit; nothing of them stays.
            ChangedError: it has another size, or was changed meanwhile; nothing of it stays.
            OSError: EIO and the like from the file.
        """
        before = file_status.of_handle(handle)
        with self._again(staged, size) if staged else self._one(size) as (out, spooled):
            os.ftruncate(out, size)
            for span in spans:
                os.lseek(out, span[0], os.SEEK_SET)
                self._copy_range(out, handle, span, staged.memory.get(span[0], 0) if staged else 0)
            _check_still(handle, before, size)
        return spooled

    def _one(self, size: int) -> AbstractContextManager[tuple[int, Spooled]]:
        """Hold a new file open for writing; nothing of it stays if the block fails."""
        used, name = self.used, f"{self._count:x}"
        self._count += 1
        self._take(PER_FILE)
        return self._whole(self._create(name), Spooled(self._place, name, size), used)

    def _again(
        self, staged: StagedContent, size: int
    ) -> AbstractContextManager[tuple[int, Spooled]]:
        """Hold what was staged open for writing; nothing of it stays if the block fails."""
        used = self.used - sum(staged.memory.values()) - PER_FILE
        out = os.open(staged.spooled.name, os.O_WRONLY | os.O_CLOEXEC, dir_fd=self._handle)
        return self._whole(out, staged.spooled._replace(size=size), used)

    @contextmanager
    def _whole(self, out: int, spooled: Spooled, used: int) -> Iterator[tuple[int, Spooled]]:
        """Hold a file; if the block fails, it goes, and so much is used as without it."""
        name = spooled.name
        try:
            yield out, spooled
        except BaseException:
            os.unlink(name, dir_fd=self._handle)
            self.used = used
            raise
        finally:
            os.close(out)

    def _create(self, name: str) -> int:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
        try:
            return os.open(name, flags, 0o600, dir_fd=self._handle)
        except OSError as error:
            if error.errno == errno.ENOSPC:  # a tmpfs may limit its inodes
                raise self._full() from error
            raise

    def _fill(self, out: int, handle: int, before: os.stat_result, size: int) -> None:
        if before.st_size == size:
            if _has_holes(before):
                self._copy_data(out, handle, size)
            else:
                self._copy_range(out, handle, (0, size))
        _check_still(handle, before, size)

    def _copy_data(self, out: int, handle: int, size: int) -> None:
        os.ftruncate(out, size)
        for span in files.data_ranges(handle, size):
            os.lseek(out, span[0], os.SEEK_SET)
            self._copy_range(out, handle, span)

    def _copy_range(self, out: int, handle: int, span: tuple[int, int], had: int = 0) -> None:
        position, end = span
        self._take(max(_pages(end - position) - had, 0))
        while position < end:
            try:
                done = os.sendfile(out, handle, position, min(end - position, SENDFILE_MOST))
            except OSError as error:
                if error.errno == errno.ENOSPC:
                    raise self._full() from error
                raise
            if done == 0:
                return  # it has become shorter, which its size tells
            position += done
            self._copied += done

    def _write(self, out: int, data: bytes, offset: int) -> None:
        os.lseek(out, offset, os.SEEK_SET)
        try:
            files.write_all(out, data)
        except OSError as error:
            if error.errno == errno.ENOSPC:
                raise self._full() from error
            raise

    def _take(self, count: int) -> None:
        if self.used + count > self.limit:
            raise self._full()
        self.used += count

    def _full(self) -> SpoolFullError:
        return SpoolFullError(
            f"what changed last does not fit the {self.limit >> 20} MiB of memory for it",
            hint="raise `pause.spool_share`, exclude what is rewritten all the time, or quiet it",
        )


def _check_still(handle: int, before: os.stat_result, size: int) -> None:
    """Raise ChangedError unless an open file is as it was, and of this size."""
    after = file_status.of_handle(handle)
    if (after.st_size, after.st_ctime_ns, after.st_mtime_ns) != (
        size, before.st_ctime_ns, before.st_mtime_ns,
    ):  # fmt: skip
        raise ChangedError(f"a file of {size} bytes changed while it was copied")


def _has_holes(status: os.stat_result) -> bool:
    return status.st_blocks * 512 < status.st_size and status.st_size > PAGE


def _pages(size: int) -> int:
    return -(-size // PAGE) * PAGE


def needed(size: int) -> int:
    """Return the bytes that `Spool.copy` takes for a file of this size without holes."""
    return PER_FILE + _pages(size)


def needed_for(handle: int) -> int:
    """Return the bytes that `Spool.copy` takes for an open file as it is now; not for holes.

    Raises:
        OSError: EIO and the like from the file.
    """
    status = file_status.of_handle(handle)
    if not _has_holes(status):
        return needed(status.st_size)
    spans = files.data_ranges(handle, status.st_size)
    return PER_FILE + sum(_pages(end - start) for start, end in spans)


def limit_for(directory: Path, share: float, *, meminfo: Path = MEMINFO) -> int:
    """Return how many bytes a spool here may take: a share of what memory is free.

    Raises:
        PreflightError: there is too little memory to begin with.
    """
    available = free_memory(meminfo)
    room = os.statvfs(directory)
    limit = min(int(available * share), room.f_bavail * room.f_frsize - RESERVE)
    if available < FLOOR or limit < FLOOR * share:
        raise PreflightError(
            f"too little memory for the pause: {available >> 20} MiB available, "
            f"{max(limit, 0) >> 20} MiB of it for {directory}",
            hint="stop something, or enlarge the tmpfs",
        )
    return limit


def free_memory(meminfo: Path = MEMINFO) -> int:
    """Return the bytes that programs could still get."""
    return parse_available(meminfo.read_bytes())


def parse_available(meminfo: bytes) -> int:
    """Return MemAvailable of /proc/meminfo, in bytes (proc(5)); KeyError if it is not there."""
    for line in meminfo.splitlines():
        name, _, rest = line.partition(b":")
        if name == b"MemAvailable":
            return int(rest.split()[0]) << 10
    raise KeyError("MemAvailable")
