"""Take one file or folder out of a capture."""

from __future__ import annotations

import errno
import os
import shlex
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import Enum, auto
from typing import TYPE_CHECKING

from holdstill.errors import TargetFailedError, UsageError, VerificationError
from holdstill.filesystems import writer_input
from holdstill.model import paths
from holdstill.model.entries import Entry, EntryType
from holdstill.model.layout import Fat
from holdstill.records import assembled
from holdstill.system import file_status, files, libc

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.model.manifest import Attachment, CapturedPart
    from holdstill.model.sealed_capture import ContentSource, SealedCapture
    from holdstill.records.index_queries import Index


_NAME_MOST = 240
"""Bytes of a name that leave room for what is added to it."""
INCOMPLETE = ".incomplete"
"""How the name ends of what is being made, until all of it is there."""


class DamagePolicy(Enum):
    """What to do about a file whose stored content is damaged."""

    REFUSE = auto()
    LEAVE_OUT = auto()


@dataclass
class Extracted:
    """What was taken out.

    Attributes:
        files, size: how many regular files, and their bytes.
        skipped: (path, why) of entries that were not made.
        damaged: paths of files that were left out because their contents are damaged.
    """

    files: int = 0
    size: int = 0
    skipped: list[tuple[bytes, str]] = field(default_factory=list)
    damaged: list[bytes] = field(default_factory=list)


def extract(
    capture: SealedCapture,
    index: Index,
    part: int,
    path: bytes,
    *,
    to: Path,
    damaged: DamagePolicy = DamagePolicy.REFUSE,
) -> Extracted:
    """Write an entry, and what is below it, to a new local path.

    Files, directories and symlinks are made, with their permission bits without setuid and
    setgid, and their times; owners only as root. Devices, fifos and sockets are skipped.

    Raises:
        UsageError: no such path in the capture, or the target exists.
        VerificationError: a content does not match the index; the file is not kept. Not
            raised when damaged files are to be left out.
    """
    entry = index.get(part, path)
    if entry is None:
        raise UsageError(
            f"/{paths.display(path)} is not in the capture",
            hint="paths are those of the board: `holdstill find NAME` looks for one, also by a "
            "pattern such as '*.csv'; excluded places are listed by `holdstill show`",
        )
    _check_new(to)
    partial = to.with_name(os.fsdecode(os.fsencode(to.name)[:_NAME_MOST]) + INCOMPLETE)
    if os.path.lexists(partial):
        raise UsageError(
            f"{partial} exists: another run makes it, or was broken off",
            hint=f"if so: `rm -r {shlex.quote(str(partial))}`; or name another path",
        )
    taker = _Extractor(capture, Extracted(), damaged)
    if entry.type is not EntryType.DIRECTORY:
        taker.make(entry, partial)
    else:
        _make_tree(taker, entry, partial, capture.prefetch(_below(index, part, entry.path)))
    if os.path.lexists(partial):  # not what was skipped, or left out
        _rename_new(partial, to)
    return taker.got


def attachment(capture: SealedCapture, item: Attachment, *, to: Path) -> Extracted:
    """Write what a capture has beside its files, such as an eMMC's boot area, to a new file.

    Raises:
        UsageError: the target exists.
        VerificationError: it is damaged in the store; the file is not kept.
    """
    _check_new(to)
    with _made_whole(to) as target:
        os.ftruncate(target, item.size)
        assembled.copy(capture, item, target)
    return Extracted(files=1, size=item.size)


def _check_new(to: Path) -> None:
    if os.path.lexists(to):
        raise UsageError(f"{to} exists", hint="name a new path; nothing is overwritten")
    if not to.parent.is_dir():
        raise UsageError(f"there is no folder {to.parent}", hint="make it first")


def _rename_new(source: Path, target: Path) -> None:
    try:
        libc.rename_noreplace(source, target)
    except OSError as error:
        if error.errno not in libc.NO_SUCH_RENAME:  # NFS, say, cannot
            raise
        source.rename(target)


def _make_tree(taker: _Extractor, top: Entry, partial: Path, below: Iterable[Entry]) -> None:
    try:
        taker.make_tree(top, partial, below)
    except VerificationError as error:
        try:  # of no use, but in the way of the next try, if nothing is in it
            partial.rmdir()
        except OSError:
            error.add_note(f"{partial} has what comes before that file")
        raise


def spelled(index: Index, part: CapturedPart, path: bytes) -> bytes:
    """Return a path as the capture spells it: on a FAT, names are the same in any case."""
    if not isinstance(part.file_system, Fat) or index.get(part.number, path) is not None:
        return path
    found = b""
    for name in path.split(b"/"):
        here = index.children(part.number, found)
        same = [entry.path for entry in here if _folded(entry.name) == _folded(name)]
        if not same:
            return path
        found = same[0]
    return found


def _folded(name: bytes) -> str:
    return name.decode(errors="surrogateescape").upper()


@dataclass(frozen=True)
class _Extractor:
    contents: ContentSource
    got: Extracted
    damaged: DamagePolicy

    def make_tree(self, top: Entry, to: Path, below: Iterable[Entry]) -> None:
        made = [(top, to)]
        to.mkdir(mode=0o700)
        for entry in below:
            inside = entry.path[len(top.path) :].lstrip(b"/")
            place = to / os.fsdecode(inside)
            self.make(entry, place)
            if entry.type is EntryType.DIRECTORY:
                made.append((entry, place))
        for entry, place in reversed(made):  # times last: a new name changes its directory's
            self._dress(entry, place)

    def make(self, entry: Entry, place: Path) -> None:
        match entry.type:
            case EntryType.DIRECTORY:
                place.mkdir(mode=0o700)
            case EntryType.SYMLINK:
                place.symlink_to(os.fsdecode(entry.target))
                self._dress(entry, place)
            case EntryType.FILE if entry.size == 0 or entry.digest:
                try:
                    with _made_whole(place) as target:
                        os.ftruncate(target, entry.size)
                        if entry.digest:
                            self._pour(entry, target, place)
                    self.got.files += 1
                    self.got.size += entry.size
                except VerificationError:
                    if self.damaged is DamagePolicy.REFUSE:
                        raise
                    self.got.damaged.append(entry.path)
                else:
                    self._dress(entry, place)
            case EntryType.FILE:
                why = f"its content is not in the capture ({entry.omitted.name.lower()})"
                self.got.skipped.append((entry.path, why))
            case _:
                self.got.skipped.append((entry.path, f"a {entry.type.name.lower()}"))

    def _pour(self, entry: Entry, target: int, place: Path) -> None:
        try:
            writer_input.copy(self.contents, entry, target)
        except TargetFailedError as error:
            cause = error.__cause__
            if isinstance(cause, OSError) and cause.errno not in _OF_THE_DISK:
                raise cause from None  # it is about this process rather than the store
            raise _damaged(entry, str(cause or error)) from error
        except VerificationError as error:
            raise _damaged(entry, str(error.__cause__ or error)) from error
        if files.content_digest(target, entry.size) != entry.digest:
            raise TargetFailedError(
                f"{place} does not give back what was written to it",
                hint="check the disk that it is on, and have it written elsewhere",
            )

    def _dress(self, entry: Entry, place: Path) -> None:
        if os.geteuid() == 0:
            os.chown(place, entry.uid, entry.gid, follow_symlinks=False)
        # A FAT has no permissions: what was made for us alone then stays so, and can be opened.
        if entry.type is not EntryType.SYMLINK and entry.mode & 0o777:
            place.chmod(entry.mode & 0o1777)
        file_status.set_modified(os.fsencode(place), entry.mtime_ns)


@contextmanager
def _made_whole(place: Path) -> Iterator[int]:
    """Hold a new file open for writing; it is not kept unless the block succeeds."""
    with files.opened_new(place) as target:
        try:
            yield target
        except OSError as error:
            place.unlink()
            raise _not_written(place, error) from error
        except BaseException:
            place.unlink()
            raise


def _not_written(place: Path, error: OSError) -> OSError | TargetFailedError:
    """Return the error of a new file with its path; one that has a path stays what it is."""
    if error.filename is not None or error.errno is None:
        return error
    return TargetFailedError(
        f"{place} cannot be written: {error.strerror}",
        hint="the files before it are there; make room (`df` shows how much there is), and take "
        "it out again to a new path",
    )


def _damaged(entry: Entry, what: str) -> VerificationError:
    return VerificationError(
        f"the stored content of /{paths.display(entry.path)} is damaged: {what}",
        hint="`holdstill verify` lists what else is; older captures may have it whole; "
        "--leave-out-damaged, with a new path to put it at, takes out the rest",
    )


_OF_THE_DISK = frozenset({errno.EIO, errno.ELOOP, errno.ENOENT, errno.EUCLEAN})


def _below(index: Index, part: int, top: bytes) -> Iterator[Entry]:
    """Yield everything below a directory, parents first."""
    for entry in index.children(part, top):
        yield entry
        if entry.type is EntryType.DIRECTORY:
            yield from _below(index, part, entry.path)
