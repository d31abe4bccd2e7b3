"""Read a store's contents again and compare them with their names, which are their digests.

Each content is read once, however many captures share it; the newest captures come first; what
was found good lately can be left out, so that a run that was cut off goes on where it was.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError
from holdstill.filesystems import content_parts
from holdstill.model import paths, pieces
from holdstill.model.layout import Record
from holdstill.records import assembled, capture_contents
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from holdstill.model.sealed_capture import ContentSource, IndexedCapture
    from holdstill.system.clocks import Clock

HOLDERS_SHOWN = 5
"""Paths that are named for one damaged content in one capture."""


class ContentDamage(Record, frozen=True, kw_only=True):
    """One content whose bytes do not have the digest in its name.

    Attributes:
        hits: board/capture: path, for every capture that was checked and some of its paths.
    """

    digest: str
    problem: str
    hits: tuple[str, ...]


class StoreReport(Record, frozen=True, kw_only=True):
    """What reading the store again has shown.

    Attributes:
        contents, bytes: read and found good in this run.
        skipped: found good lately, and not read again.
        captures: board/capture of those whose every content is good.
        damaged: board/capture of those with a content that is not.
        damages: every content that is not.
        faults: board/capture: what is wrong with it, of those that could not be read at all, or
            must not be believed.
    """

    contents: int
    bytes: int
    skipped: int
    captures: tuple[str, ...]
    damaged: tuple[str, ...]
    damages: tuple[ContentDamage, ...]
    faults: tuple[str, ...] = ()

    @property
    def is_good(self) -> bool:
        """Whether nothing was found wrong."""
        return not self.damages and not self.faults


class VerifiedCache:
    """When each content was last found good; a small file beside the store."""

    def __init__(self, db: sqlite3.Connection, since: float) -> None:
        self._db = db
        self._since = since

    def is_recent(self, digest: bytes) -> bool:
        """Whether a content was found good lately enough."""
        row = self._db.execute("SELECT at FROM good WHERE digest = ?", (digest,)).fetchone()
        return row is not None and row[0] >= self._since

    def note(self, digest: bytes, at: float) -> None:
        """Record that a content is good."""
        self._db.execute("INSERT OR REPLACE INTO good VALUES (?, ?)", (digest, at))

    def forget(self, digest: bytes) -> None:
        """Record that a content is not good."""
        self._db.execute("DELETE FROM good WHERE digest = ?", (digest,))

    def commit(self) -> None:
        """Make what was noted survive an interruption."""
        self._db.commit()


@contextmanager
def remembered(path: Path, *, since: float) -> Iterator[VerifiedCache]:
    """Hold the memory of earlier runs; since is the Unix time from which a check counts."""
    db = sqlite3.connect(path)
    try:
        db.execute("CREATE TABLE IF NOT EXISTS good (digest BLOB PRIMARY KEY, at REAL NOT NULL)")
        yield VerifiedCache(db, since)
        db.commit()
    finally:
        db.close()


@dataclass
class Pace:
    """Keeps reading below so many bytes a second; 0 is as fast as it goes."""

    rate: float
    clock: Clock
    began: float = field(init=False)
    done: int = 0

    def __post_init__(self) -> None:
        self.began = self.clock.monotonic()

    def after(self, count: int) -> None:
        """Wait if too much was read too soon."""
        self.done += count
        if self.rate > 0:
            ahead = self.done / self.rate - (self.clock.monotonic() - self.began)
            if ahead > 0:
                self.clock.sleep(ahead)


def check_captures(
    captures: Sequence[IndexedCapture],
    *,
    memory: VerifiedCache,
    pace: Pace,
    progress: Callable[[int], None] = lambda _: None,
) -> StoreReport:
    """Read every content of these captures once, in their order.

    Args:
        captures: newest first.
        memory: what was found good lately.
        pace: how fast to read.
        progress: is called with the bytes read so far.
    """
    check = _StoreCheck(memory, pace, progress)
    for capture in captures:
        check.capture(capture)
    return check.report(captures)


class _StoreCheck:
    def __init__(self, memory: VerifiedCache, pace: Pace, progress: Callable[[int], None]) -> None:
        self._memory = memory
        self._pace = pace
        self._progress = progress
        self._bad: dict[bytes, str] = {}
        self._good: list[str] = []
        self._damaged: list[str] = []
        self._faults: list[str] = []
        self._contents = self._bytes = self._skipped = 0

    def capture(self, capture: IndexedCapture) -> None:
        """Read what this capture adds to those before it."""
        name, is_good = f"{capture.board}/{capture.name}", True
        try:
            for digest, size in capture_contents.needed(capture):
                is_good &= self._content(capture, digest, size)
        except (HoldstillError, OSError) as error:  # the others are worth reading all the same
            self._faults.append(f"{name}: {error}")
        else:
            (self._good if is_good else self._damaged).append(name)
        self._memory.commit()

    def _content(self, capture: IndexedCapture, digest: bytes, size: int) -> bool:
        if digest in self._bad:
            return False
        if self._memory.is_recent(digest):
            self._skipped += 1
            return True
        trouble = problem(capture, digest, size)
        if trouble:
            self._bad[digest] = trouble
            self._memory.forget(digest)
            return False
        self._contents += 1
        self._bytes += size
        self._memory.note(digest, self._pace.clock.now().timestamp())
        self._pace.after(size)
        self._progress(self._bytes)
        return True

    def report(self, captures: Sequence[IndexedCapture]) -> StoreReport:
        """Sum up, with every path that a damaged content hits."""
        damages = (
            ContentDamage(
                digest=digest.hex(), problem=trouble, hits=tuple(_hits(captures, digest))
            )
            for digest, trouble in self._bad.items()
        )
        return StoreReport(
            contents=self._contents,
            bytes=self._bytes,
            skipped=self._skipped,
            captures=tuple(self._good),
            damaged=tuple(self._damaged),
            damages=tuple(damages),
            faults=tuple(self._faults),
        )


def file_problem(capture: ContentSource, digest: bytes, size: int) -> str:
    """Return what is wrong with the stored content of a file, whole or in pieces."""
    if not pieces.is_pieced(size):
        return problem(capture, digest, size)
    try:
        listed = content_parts.read_list(capture, digest, size)
    except (HoldstillError, OSError) as error:
        return f"it cannot be read: {error}"
    found = (problem(capture, piece, length) for piece, length in listed.pieces())
    return next(filter(None, found), "")


def problem(capture: ContentSource, digest: bytes, size: int) -> str:
    """Return what is wrong with a stored content, "" for nothing."""
    try:
        handle = capture.open(digest)
    except (HoldstillError, OSError) as error:
        return f"it is not there: {error}"
    try:
        found = os.fstat(handle).st_size
        if found != size:
            return f"it has {found} bytes, not {size}"
        # What memory holds would only prove the memory.
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
        if files.hash_open_file(handle, size) != digest:
            return "its bytes are not what its name says"
    except (OSError, EOFError) as error:
        return f"it cannot be read: {error}"
    finally:
        os.close(handle)
    return ""


def _hits(captures: Sequence[IndexedCapture], digest: bytes) -> Iterator[str]:
    for capture in captures:
        name = f"{capture.board}/{capture.name}"
        with suppress(HoldstillError, OSError):
            for attachment in capture_contents.attachments(capture.manifest()):
                listed = assembled.read_list(capture, attachment)
                if any(piece == digest for piece, _ in listed.pieces()):
                    yield f"{name}: {attachment.name}"
            with assembled.opened_index(capture) as index:
                for _, path in capture_contents.holders(capture, index, digest, HOLDERS_SHOWN):
                    yield f"{name}: /{paths.display(path)}"
