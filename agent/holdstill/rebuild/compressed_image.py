"""Images for other people's programs: compressed, with a checksum beside them.

An image is filled in no order, so it grows as a sparse draft first and is packed at the end, in
one stream. What the packer has read of the draft is given back meanwhile, so that both together
take little more room than the larger of them.
"""

from __future__ import annotations

import contextlib
import os
import select
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.errors import TargetFailedError
from holdstill.rebuild import rebuild_target, zip_image
from holdstill.rebuild.rebuild_target import Existing
from holdstill.system import files, libc, process
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from holdstill.rebuild.rebuild_target import Target

    Told = Callable[[int, int], None]

# A window of 128 MiB is the most that unpackers accept without an option (zstd manual, --long).
PACKERS = {
    ".zst": ("zstd", "--quiet", "-T0", "--long=27", "-3", "--stdout"),
    ".xz": ("xz", "--quiet", "-T0", "-1", "--stdout"),
}
"""By the last suffix of an image's name: the program that packs it."""
SUFFIXES = (*PACKERS, zip_image.SUFFIX)
"""Last suffixes of an image that is packed."""
EVERY = 0.5
"""Seconds after which it is told how far a packer is, whatever it has written."""
GIVEN_BACK = 4 << 20
"""Bytes of a draft that are given back at a time: a multiple of any file system's blocks."""
TIMEOUT = 60.0
"""Seconds that a packer may take to end after its last byte."""


def check_place(path: Path, *, existing: Existing = Existing.KEEP) -> None:
    """Refuse a place where no image can or may be made, packed if its suffix requests it.

    Raises:
        TargetRefusedError: it states which.
        PreflightError: the program that packs it is not installed.
    """
    rebuild_target.check_image_path(path, existing=existing)
    if path.suffix in PACKERS:
        process.require(PACKERS[path.suffix][0])
    if path.suffix in SUFFIXES:
        rebuild_target.check_image_path(checksum_path(path), existing=existing)


@contextmanager
def claimed_image(
    path: Path,
    *,
    size: int,
    existing: Existing = Existing.KEEP,
    packed: Told = lambda _done, _size: None,
) -> Iterator[Target]:
    """Hold an image for writing; it appears at path, packed if its suffix requests it.

    A packed image gets a file beside it that `sha256sum --check` understands. packed is told
    meanwhile how many of the image's bytes are packed, of how many.

    Raises:
        TargetRefusedError: something is there that is not to be replaced, or there is no room.
        BusyError: another run is making the same image.
        PreflightError: the program that packs it is not installed.
        TargetFailedError: packing failed.
    """
    check_place(path, existing=existing)
    if path.suffix not in SUFFIXES:
        with rebuild_target.claimed_image(path, size=size, existing=existing) as image:
            yield image
        return
    with rebuild_target.drafted(_unpacked(path), size=size) as image:
        image.name = str(path)
        yield image
        rebuild_target.flush(image.handle, image.name)
        _pack(image.path, path, existing, packed)


def draft_path(path: Path) -> Path:
    """Return where an image grows, before it is packed or gets its name."""
    return rebuild_target.draft_path(_unpacked(path) if path.suffix in SUFFIXES else path)


def _unpacked(path: Path) -> Path:
    return path.with_name(f".{path.stem}-of-{path.suffix[1:]}")


def checksum_path(path: Path) -> Path:
    """Return where the checksum of a packed image is."""
    return path.with_name(f"{path.name}.sha256")


def _pack(image: Path, path: Path, existing: Existing, told: Told) -> None:
    draft = path.with_name(f".{path.name}.draft")
    try:
        with files.opened_for_writing(draft) as handle, _given_back(image, told) as read:
            if path.suffix == zip_image.SUFFIX:
                zip_image.write(handle, image, zip_image.member_name(path), read)
            else:
                _write_packed(handle, image, path.suffix, read)
            os.fsync(handle)
        digest = files.hash_file(draft).hex()
        if existing is Existing.REPLACE:
            checksum_path(path).unlink(missing_ok=True)  # it will not be true in a moment
        rebuild_target.publish(draft, path, existing=existing)
        files.publish(checksum_path(path), f"{digest}  {path.name}\n".encode(), mode=0o644)
    except OSError as error:
        raise TargetFailedError(
            f"cannot write {path}: {error.strerror}", hint="is there room on that disk?"
        ) from error
    finally:
        with contextlib.suppress(FileNotFoundError):
            draft.unlink()


@contextmanager
def _given_back(image: Path, told: Told) -> Iterator[Told]:
    """Yield what is told how much of a draft was read: the blocks of that are given back.

    Where a file system cannot do that, the draft keeps them until the image is packed.
    """
    done = 0

    def read(until: int, size: int) -> None:
        nonlocal done
        end = until - until % GIVEN_BACK
        if end > done:
            with contextlib.suppress(OSError):
                libc.punch_hole(handle, done, end - done)
            done = end
        told(until, size)

    handle = os.open(image, os.O_WRONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        yield read
    finally:
        os.close(handle)


def _write_packed(handle: int, image: Path, suffix: str, told: Told) -> None:
    size = image.stat().st_size
    command = Command.of(*PACKERS[suffix], *_size_words(suffix, size), timeout=TIMEOUT)
    with (
        files.opened(image) as source,
        process.streaming(command, stdin=source) as packed,
    ):
        chunk = b"-"
        while chunk:
            # xz says nothing for minutes: of zeroes hardly anything is left.
            is_ready = select.select([packed], [], [], EVERY)[0]
            # The packer reads by our open file, so where it is is where we are (open(2)).
            told(os.lseek(source, 0, os.SEEK_CUR), size)
            if is_ready:
                chunk = os.read(packed.fileno(), files.CHUNK)
                files.write_all(handle, chunk)


def _size_words(suffix: str, size: int) -> tuple[str, ...]:
    """Return what tells a packer how large the image is, which it notes for whoever unpacks it."""
    return (f"--stream-size={size}",) if suffix == ".zst" else ()
