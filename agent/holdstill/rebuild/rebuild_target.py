"""What a rebuild writes to: claimed first, checked, and released last.

An image grows under a draft's name and gets its own only when it is complete.
"""

from __future__ import annotations

import errno
import fcntl
import os
import shlex
import stat
from contextlib import contextmanager
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from holdstill.errors import BusyError, TargetFailedError, TargetRefusedError
from holdstill.model.sizes import GIB, MIB, human
from holdstill.system import files, ioctl, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


class Existing(Enum):
    """What may happen to an image that is there already."""

    KEEP = "keep"
    """It is left alone: the claim is refused."""
    REPLACE = "replace"
    """It is replaced when the new one is complete, and not before."""


@dataclass
class Target:
    """A claimed image or device.

    Attributes:
        path: where writers write; of an image, its draft.
        handle: open for reading and writing as long as the claim holds.
        size: bytes.
        name: what people call it.
        is_device: whether it is a block device.
        has_begun: whether what it held before is gone; set by invalidate.
    """

    path: Path
    handle: int
    size: int
    name: str
    is_device: bool = False
    has_begun: bool = False


@contextmanager
def claimed_image(
    path: Path, *, size: int, existing: Existing = Existing.KEEP
) -> Iterator[Target]:
    """Hold a sparse image of size bytes for writing; it appears at path when the block is done.

    When the block raises, nothing stays but what was there before.

    Raises:
        TargetRefusedError: something is there that is not to be replaced, or there is no room.
        BusyError: another run is making the same image.
    """
    check_image_path(path, existing=existing)
    with drafted(path, size=size) as image:
        yield image
        flush(image.handle, image.name)
        publish(image.path, path, existing=existing)


@contextmanager
def drafted(path: Path, *, size: int) -> Iterator[Target]:
    """Hold the draft of an image for writing; it is gone afterwards unless it was published.

    Raises:
        TargetRefusedError: there is no room.
        BusyError: another run is making the same image.
    """
    draft = draft_path(path)
    with _draft(draft, size) as handle:
        yield Target(draft, handle, size, str(path))


def draft_path(path: Path) -> Path:
    """Return where an image is until it is complete."""
    return path.with_name(f".{path.name}.draft")


def check_image_path(path: Path, *, existing: Existing = Existing.KEEP) -> None:
    """Refuse a place where no image can or may be made.

    Raises:
        TargetRefusedError: it states which.
    """
    if not path.parent.is_dir():
        raise TargetRefusedError(f"there is no folder {path.parent}", hint="make it first")
    if "?" in str(path.absolute()):
        # They take what follows it for options: `card.img?offset=4096`.
        raise TargetRefusedError(
            f"{path}: e2fsprogs cannot open a name with a question mark",
            hint="name the image and its folder otherwise",
        )
    try:
        found = path.lstat()
    except FileNotFoundError:
        return
    if not stat.S_ISREG(found.st_mode):
        kind = _KINDS.get(stat.S_IFMT(found.st_mode), "something unknown")
        raise TargetRefusedError(
            f"{path} is {kind}, not an image",
            hint="name a new file for an image; a card is named by its device, such as /dev/sdX",
        )
    if existing is Existing.KEEP:
        raise TargetRefusedError(
            f"{path} exists and is left alone", hint="name another file, or say --replace"
        )


_KINDS = {
    stat.S_IFDIR: "a folder",
    stat.S_IFLNK: "a symbolic link",
    stat.S_IFBLK: "a block device",
    stat.S_IFCHR: "a character device",
    stat.S_IFIFO: "a pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFREG: "a regular file",
}


@contextmanager
def _draft(draft: Path, size: int) -> Iterator[int]:
    """Hold an empty sparse draft, locked; it is gone afterwards unless it was renamed."""
    with _opened_draft(draft) as handle:
        _lock(handle, draft)
        try:
            # Make the draft an empty sparse file of its full size.
            try:
                os.ftruncate(handle, 0)
                os.ftruncate(handle, size)
            except OSError as error:
                raise TargetRefusedError(
                    f"{draft.parent} cannot hold a file of {human(size)}: {error.strerror}",
                    hint="FAT holds 4 GiB at most in one file: use another disk",
                ) from error
            yield handle
        finally:
            draft.unlink(missing_ok=True)


@contextmanager
def _opened_draft(draft: Path) -> Iterator[int]:
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        handle = os.open(draft, flags, 0o600)
    except OSError as error:
        if isinstance(error, PermissionError) or error.errno == errno.EROFS:
            hint = (
                "name a file in a folder that this user may write to, or say it with sudo: "
                f"`ls -ld {shlex.quote(str(draft.parent))}` shows whose it is"
            )
        else:
            hint = f"`ls -ld {shlex.quote(str(draft))}` shows what is in its place, if anything"
        raise TargetRefusedError(f"cannot make {draft}: {error.strerror}", hint=hint) from error
    try:
        yield handle
    finally:
        os.close(handle)


def _lock(handle: int, draft: Path) -> None:
    """Take the draft of a run that died; leave that of a run that lives."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        raise BusyError(f"another run is writing {draft}", hint="wait for it to end") from error
    mine = os.fstat(handle)
    try:
        there = draft.lstat()
    except FileNotFoundError:
        there = None
    if there is None or (there.st_ino, there.st_dev) != (mine.st_ino, mine.st_dev):
        raise BusyError(f"another run has just finished with {draft}", hint="start again")
    if not stat.S_ISREG(mine.st_mode) or mine.st_nlink != 1:
        raise TargetRefusedError(f"{draft} is not a draft of ours", hint="remove it")


def publish(draft: Path, path: Path, *, existing: Existing) -> None:
    """Give a complete draft its name; what has come to be there meanwhile is left alone.

    Raises:
        TargetRefusedError: something is there now, and is not to be replaced.
    """
    if existing is Existing.REPLACE:
        draft.replace(path)
    else:
        try:
            os.link(draft, path)  # unlike a rename, this never replaces
        except FileExistsError as error:
            raise TargetRefusedError(f"{path} has come to exist and is left alone") from error
        except OSError as error:
            if error.errno not in {errno.EPERM, errno.EOPNOTSUPP, errno.EMLINK, errno.ENOSYS}:
                raise
            # File systems without hard links, such as exFAT on a carried disk.
            check_image_path(path)
            draft.replace(path)
    files.sync_directory(path.parent)


EDGE = MIB
"""Bytes at either end that hold partition tables and the first file system's superblock."""


def invalidate(target: Target) -> None:
    """Destroy the old tables at both ends, so that a half-written target is no disk at all."""
    target.has_begun = True
    clear_ends(target, 0, target.size)
    flush(target.handle, target.name)


def clear_ends(target: Target, start: int, size: int) -> None:
    """Zero both ends of a range of bytes, where tables and superblocks are."""
    edge = min(EDGE, size)
    for position in (start, start + size - edge):
        sparse_copy.clear(target.handle, position, edge)


def discard(claimed: Target) -> bool:
    """Discard all of a device but its ends; return whether it supports that.

    The ends hold the old tables. A card may return anything for discarded blocks, so
    they must stay the zeroes that invalidate writes.
    """
    if not claimed.is_device:
        return False
    claimed.has_begun = True
    try:
        for start, length in discardable(claimed.size):
            ioctl.discard(claimed.handle, start, length)
    except OSError as error:
        if error.errno in {errno.EOPNOTSUPP, errno.EINVAL, errno.ENOTTY, errno.EPERM}:
            return False
        raise TargetFailedError(f"{claimed.name} failed: {error.strerror}") from error
    return True


def discardable(size: int) -> Iterator[tuple[int, int]]:
    """Yield start and length of what may be discarded of so many bytes: all but the ends."""
    for start in range(EDGE, size - EDGE, GIB):
        yield start, min(GIB, size - EDGE - start)


def flush_and_drop_caches(target: Target) -> None:
    """Write everything out, and forget it, so that what is read next comes from the medium.

    Raises:
        TargetFailedError: the medium did not take it.
    """
    flush(target.handle, target.name)
    if target.is_device:
        ioctl.drop_device_cache(target.handle)
    else:
        os.posix_fadvise(target.handle, 0, 0, os.POSIX_FADV_DONTNEED)


def flush(handle: int, name: str) -> None:
    """Write an open target out.

    Raises:
        TargetFailedError: the medium did not take it; trying again proves nothing.
    """
    try:
        os.fsync(handle)
    except OSError as error:
        raise TargetFailedError(
            f"{name} did not take what was written: {error.strerror}",
            hint="do not use this card again",
        ) from error
