"""Read a store's contents again and compare them with their names, which are their digests.

Each content is read once, however many captures share it; the newest captures come first; what
was found good lately can be left out, so that a run that was cut off goes on where it was.
"""

from __future__ import annotations

import errno
import os
import sqlite3
import stat
from contextlib import closing, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import DamagedContentError, HoldstillError, MachineError
from holdstill.filesystems import content_parts
from holdstill.model import pieces, sizes, tree_views
from holdstill.model.layout import Record
from holdstill.records import assembled, capture_contents, captured_gap
from holdstill.system import clocks, files

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from holdstill.model.manifest import Attachment, Manifest
    from holdstill.model.sealed_capture import ContentSource, IndexedCapture
    from holdstill.system.clocks import Clock
    from holdstill.verify.verified_cache import VerifiedCache

HOLDERS_SHOWN = 5
"""Paths that are named for one damaged content in one capture."""
_OURS = frozenset(
    {
        errno.EACCES, errno.EPERM, errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EINTR,
        errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.ETIMEDOUT, errno.ESTALE,
        errno.ENOTCONN, errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.EAGAIN,
    }
)  # fmt: skip
"""Errors (errno(3)) of this machine, this user, or the way to the disk: they say nothing about
the bytes there."""
_OURS_BY_SQLITE = frozenset(
    {sqlite3.SQLITE_IOERR, sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_FULL, sqlite3.SQLITE_CANTOPEN}
)
"""The same of a database that was put together in a temporary file (sqlite.org/rescode.html)."""


class ContentDamage(Record, frozen=True, kw_only=True):
    """One content whose bytes do not have the digest in its name.

    Attributes:
        path: of its file, where whoever asked knows that.
        is_awaited: whether a repair took it out, and the board is asked for it.
        hits: board/capture: path, for every capture that was checked and some of its paths.
    """

    digest: str
    problem: str
    hits: tuple[str, ...]
    path: str = ""
    is_awaited: bool = False


class StoreReport(Record, frozen=True, kw_only=True):
    """What reading the store again has shown.

    Attributes:
        contents, bytes: distinct ones that were read and found good in this run.
        skipped: distinct ones that an earlier run found good lately, and that were not read.
        captures: board/capture of those whose every content is good.
        read_since: for each of these, when that of its contents was read (RFC 3339) whose last
            reading is the longest ago; only an earlier run can make it older than this one.
        damaged: board/capture of those with a content that is not.
        damages: every content that is not.
        faults: board/capture: what is wrong with it, of those that must not be believed.
        unread: board/capture: why nobody can tell, of those that this machine or user could
            not read.
        not_read: board/capture of these.
        gone: board/capture of those that were deleted by thinning meanwhile.
        notes: what else a person should know; no capture is the worse for it.
    """

    contents: int
    bytes: int
    skipped: int
    captures: tuple[str, ...]
    read_since: dict[str, str]
    damaged: tuple[str, ...]
    damages: tuple[ContentDamage, ...]
    faults: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    not_read: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def is_good(self) -> bool:
        """Whether nothing was found wrong, and everything could be read."""
        return not (self.damages or self.faults or self.unread)


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


def _always(_: IndexedCapture) -> bool:
    return True


def check_captures(
    captures: Sequence[IndexedCapture],
    *,
    memory: VerifiedCache,
    pace: Pace,
    is_kept: Callable[[IndexedCapture], bool] = _always,
    progress: Callable[[int], None] = lambda _: None,
) -> StoreReport:
    """Read every content of these captures once, in their order.

    Args:
        captures: newest first.
        memory: what was found good lately.
        pace: how fast to read.
        is_kept: whether a capture is still there, and was not thinned since it was listed; it
            is asked before one is blamed.
        progress: is called with the bytes read so far.
    """
    check = _StoreCheck(memory, pace, progress)
    for capture in captures:
        check.capture(capture)
    return check.report(is_kept)


@dataclass
class _BadContent:
    """One content that is not good, and the captures that were found to need it."""

    problem: str
    captures: list[IndexedCapture] = field(default_factory=list)


class _Failure(NamedTuple):
    """A capture that could not be read as a whole, and what it failed at."""

    capture: IndexedCapture
    errors: tuple[HoldstillError | OSError, ...]

    @property
    def is_ours(self) -> bool:
        """Whether all of it says nothing about what is stored."""
        return all(map(_is_ours, self.errors))

    @property
    def sentence(self) -> str:
        """Say the worst of it in one line."""
        worst = next((error for error in self.errors if not _is_ours(error)), self.errors[0])
        others = len(self.errors) - 1
        more = f" (and {sizes.counted(others, 'content')} more)" if others else ""
        return " ".join(f"{_name(self.capture)}: {worst}{more}".split())


class _StoreCheck:
    def __init__(self, memory: VerifiedCache, pace: Pace, progress: Callable[[int], None]) -> None:
        self._memory = memory
        self._pace = pace
        self._progress = progress
        self._bad: dict[bytes, _BadContent] = {}
        self._good: dict[str, float] = {}
        self._oldest = 0.0
        self._damaged: list[IndexedCapture] = []
        self._failures: list[_Failure] = []
        self._whole_lists: dict[bytes, float] = {}
        self._errors: list[HoldstillError | OSError] = []
        self._contents = self._bytes = self._skipped = 0

    def capture(self, capture: IndexedCapture) -> None:
        """Read what this capture adds to those before it."""
        self._oldest = self._pace.clock.now().timestamp()
        self._errors = []
        is_good = self._tried(capture, lambda: self._all_of(capture))
        self._memory.keep()
        if self._errors:
            self._failures.append(_Failure(capture, tuple(self._errors)))
        if not is_good:
            self._damaged.append(capture)
        elif not self._errors:
            self._good[_name(capture)] = self._oldest

    def _tried(self, capture: IndexedCapture, check: Callable[[], bool]) -> bool:
        """Return what a check says; what it fails at keeps nothing else from being read."""
        try:
            return check()
        except DamagedContentError as error:  # it was good a moment ago
            return self._blame(capture, bytes.fromhex(error.digest), str(error))
        except (HoldstillError, OSError) as error:
            self._errors.append(error)
            return True
        except MemoryError:  # for this one; others need less
            self._errors.append(MachineError("there is not enough memory to read what it needs"))
            return True

    def _all_of(self, capture: IndexedCapture) -> bool:
        """Read everything that a rebuild needs of a capture; return whether all of it is good.

        What files there are, only the index says: with a damaged one they cannot be looked for.
        """
        manifest = capture.manifest()
        is_good = self._tried(capture, lambda: self._files(capture, manifest))
        for item in capture_contents.distinct(capture_contents.beside_index(manifest)):
            is_good &= self._tried(capture, partial(self._attachment, capture, item))
        if is_good and not self._errors:
            for gap in manifest.gaps:
                self._tried(capture, partial(self._gap, capture, gap))
        return is_good

    def _gap(self, capture: IndexedCapture, gap: Attachment) -> bool:
        """Read the boot gap, whose bytes are those that were sealed, as what it should be."""
        captured_gap.read(capture, gap)
        return True

    def _files(self, capture: IndexedCapture, manifest: Manifest) -> bool:
        """Read the index, and what it names."""
        # All of it is read anyhow, below.
        if not self._attachment(capture, manifest.index, may_skip=False):
            return False
        is_good = True
        with (
            assembled.opened_index(capture) as index,
            closing(index.digests()) as contents,
        ):
            for digest, size in contents:
                is_good &= self._tried(capture, partial(self._file, capture, digest, size))
        return is_good

    def _file(self, capture: IndexedCapture, digest: bytes, size: int) -> bool:
        """Read the content of a file, or its list, and its pieces."""
        if not pieces.is_pieced(size):
            return self._content(capture, digest, size, may_skip=True)
        if digest in self._whole_lists:
            self._oldest = min(self._oldest, self._whole_lists[digest])
            return True
        if not self._content(capture, digest, None, may_skip=False):
            return False
        listed = content_parts.read_list(capture, digest, size)
        failed, oldest = len(self._errors), self._oldest
        self._oldest = self._pace.clock.now().timestamp()
        is_good = self._each(capture, listed.pieces(), may_skip=True)
        if is_good and len(self._errors) == failed:
            self._whole_lists[digest] = self._oldest
        self._oldest = min(oldest, self._oldest)
        return is_good

    def _attachment(
        self, capture: IndexedCapture, item: Attachment, *, may_skip: bool = True
    ) -> bool:
        """Read a list, which is small, and its pieces."""
        if not self._content(capture, bytes.fromhex(item.sha256), None, may_skip=False):
            return False
        listed = assembled.read_list(capture, item)
        return self._each(capture, listed.pieces(), may_skip=may_skip)

    def _each(
        self, capture: IndexedCapture, contents: Iterable[tuple[bytes, int]], *, may_skip: bool
    ) -> bool:
        is_good = True
        for digest, size in contents:
            is_good &= self._tried(
                capture, partial(self._content, capture, digest, size, may_skip=may_skip)
            )
        return is_good

    def _content(
        self, capture: IndexedCapture, digest: bytes, size: int | None, *, may_skip: bool
    ) -> bool:
        if digest in self._bad:
            return self._blame(capture, digest, self._bad[digest].problem)
        if (at := self._memory.met(digest)) is not None:
            self._oldest = min(self._oldest, at)
            return True
        at = self._memory.recent(digest) if may_skip and _is_there(capture, digest, size) else None
        if at is not None:
            self._oldest = min(self._oldest, at)
            self._skipped += 1
            return True
        found = _read(capture, digest, size)
        if found.problem:
            return self._blame(capture, digest, found.problem)
        self._contents += 1
        self._bytes += found.size
        self._memory.note(digest, self._pace.clock.now().timestamp())
        self._pace.after(found.size)
        self._progress(self._bytes)
        return True

    def _blame(self, capture: IndexedCapture, digest: bytes, trouble: str) -> bool:
        if digest not in self._bad:
            self._bad[digest] = _BadContent(trouble)
            self._memory.forget(digest)
        hit = self._bad[digest].captures
        if not hit or hit[-1] is not capture:
            hit.append(capture)
        return False

    def report(self, is_kept: Callable[[IndexedCapture], bool]) -> StoreReport:
        """Sum up, with every path that a damaged content hits.

        What thinning deleted meanwhile is not to blame for what is no longer there.
        """
        suspects = {_name(c): c for c in (*self._damaged, *(f.capture for f in self._failures))}
        gone = {name for name, capture in suspects.items() if not is_kept(capture)}
        left = [failure for failure in self._failures if _name(failure.capture) not in gone]
        return StoreReport(
            contents=self._contents,
            bytes=self._bytes,
            skipped=self._skipped,
            captures=tuple(self._good),
            read_since={name: _rfc3339(at) for name, at in self._good.items()},
            damaged=tuple(name for c in self._damaged if (name := _name(c)) not in gone),
            damages=tuple(self._damages(gone)),
            faults=tuple(f.sentence for f in left if not f.is_ours),
            unread=tuple(f.sentence for f in left if f.is_ours),
            not_read=tuple(_name(f.capture) for f in left if f.is_ours),
            gone=tuple(sorted(gone)),
            notes=self._memory.notes,
        )

    def _damages(self, gone: set[str]) -> Iterator[ContentDamage]:
        for digest, bad in self._bad.items():
            captures = [capture for capture in bad.captures if _name(capture) not in gone]
            if captures:
                hits = tuple(hit for capture in captures for hit in _hits(capture, digest))
                yield ContentDamage(digest=digest.hex(), problem=bad.problem, hits=hits)


def _rfc3339(at: float) -> str:
    return clocks.rfc3339(datetime.fromtimestamp(at, UTC))


def _name(capture: IndexedCapture) -> str:
    return f"{capture.board}/{capture.name}"


def _is_ours(error: HoldstillError | OSError) -> bool:
    """Whether an error is of this machine or user, and says nothing about what is stored."""
    cause = error.__cause__
    if isinstance(error, OSError):
        return error.errno in _OURS
    if isinstance(cause, OSError):
        return cause.errno in _OURS
    if isinstance(cause, sqlite3.Error):
        return getattr(cause, "sqlite_errorcode", 0) & 0xFF in _OURS_BY_SQLITE
    return isinstance(error, MachineError)


def _is_there(capture: ContentSource, digest: bytes, size: int | None) -> bool:
    """Return whether a content is there, as large as it should be: what nobody need read for."""
    try:
        handle = capture.open(digest)
    except (HoldstillError, OSError):
        return False
    try:
        return size is None or os.fstat(handle).st_size == size
    finally:
        os.close(handle)


class _Reading(NamedTuple):
    """What came of reading a content: its size, and what is wrong with it, "" for nothing."""

    size: int
    problem: str


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
    """Return what is wrong with a stored content, "" for nothing.

    Raises:
        OSError: this machine, or this user, may not or cannot read it.
    """
    return _read(capture, digest, size).problem


def _read(capture: ContentSource, digest: bytes, size: int | None) -> _Reading:
    """Read a content; its size is not known beforehand if it is a list."""
    try:
        handle = capture.open(digest)
    except (HoldstillError, OSError) as error:
        if _is_ours(error):
            raise
        return _Reading(0, f"it is not there: {error}")
    try:
        state = os.fstat(handle)
        if not stat.S_ISREG(state.st_mode):
            return _Reading(0, "something else is in the place of its file")
        found = state.st_size
        if size is not None and found != size:
            return _Reading(found, f"it has {found} bytes, not {size}")
        # What memory holds would only prove the memory.
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
        if files.hash_open_file(handle, found) != digest:
            return _Reading(found, "its bytes are not what its name says")
    except (OSError, EOFError) as error:
        if isinstance(error, OSError) and _is_ours(error):
            raise
        return _Reading(0, f"it cannot be read: {error}")
    finally:
        os.close(handle)
    return _Reading(found, "")


def _hits(capture: IndexedCapture, digest: bytes) -> Iterator[str]:
    """Yield what a content is in a capture: a path on the board, or something beside the files."""
    with suppress(HoldstillError, OSError):
        manifest = capture.manifest()
        for what in _beside_files(capture, manifest, digest):
            yield f"{_name(capture)}: {what}"
        with assembled.opened_index(capture) as index:
            for number, path in capture_contents.holders(capture, index, digest, HOLDERS_SHOWN):
                yield f"{_name(capture)}: {on_board(manifest, number, path)}"


def _beside_files(capture: IndexedCapture, manifest: Manifest, digest: bytes) -> Iterator[str]:
    for item in capture_contents.attachments(manifest):
        if item.sha256 == digest.hex():
            yield f"the list of {item.name}"
            continue
        with suppress(HoldstillError, OSError):
            listed = assembled.read_list(capture, item)
            if any(piece == digest for piece, _ in listed.pieces()):
                yield item.name


def on_board(manifest: Manifest, number: int, path: bytes) -> str:
    """Return where a file of a partition was on the board; N:/path where it was not mounted."""
    views = next((part.seen for part in manifest.parts if part.number == number), ())
    return tree_views.shown(views, number, path)
