"""The input of a writer of file systems: entries, contents, and a progress counter."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, TypeVar

from holdstill.errors import SecurityError, TargetFailedError, VerificationError
from holdstill.filesystems import content_parts
from holdstill.model import paths, pieces
from holdstill.model.entries import Entry, EntryType
from holdstill.system import files, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.filesystems.content_parts import OpenPart
    from holdstill.model.pieces import Part
    from holdstill.model.sealed_capture import ContentSource

_DIGEST_LENGTH = 64
P = TypeVar("P")
Entries = Callable[[], Iterable[Entry]]
"""Gives a fresh stream of entries, in key order, every time it is called."""


@dataclass(frozen=True)
class LocalContents:
    """Contents that can be opened at any time, by a forked copy of this process, too.

    What is fetched from elsewhere comes and goes, and is none of them.
    """

    contents: ContentSource

    def open(self, digest: bytes) -> int:
        """Return a descriptor of a content (SHA-256, 32 bytes), which the caller closes."""
        return self.contents.open(digest)

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Yield the same parts: their contents are all on this machine."""
        yield from parts


class ByteCounter(Protocol):
    """Counts the progress of a writer."""

    def advance(self, count: int) -> None:
        """Add count bytes of contents in place, holes included."""


class NoCounter:
    """Counts nothing."""

    def advance(self, count: int) -> None:
        """Do nothing."""


OTHER_BYTES = "its bytes have another SHA-256"
"""What is wrong with a content, for `not_the_content`."""


def other_size(there: int, wanted: int) -> str:
    """Describe that a content has another size, in bytes; for `not_the_content`."""
    return f"it has {there} bytes instead of {wanted}"


def handle_of(contents: ContentSource, entry: Entry) -> int:
    """Open the content of an entry; the caller closes.

    Raises:
        VerificationError: the store lacks it.
        TargetFailedError: the store's disk does not give it.
    """
    try:
        return contents.open(entry.digest)
    except OSError as error:
        raise unreadable(entry, str(error.strerror)) from error
    except VerificationError as error:
        raise not_the_content(entry, str(error)) from error


def copy(contents: ContentSource, entry: Entry, target: int, *, at: int = 0) -> None:
    """Copy the content of an entry into an open target; holes stay holes.

    Args:
        contents: where it is.
        entry: contains its size and digest.
        target: where it goes.
        at: the byte of the target at which it begins.

    Raises:
        VerificationError: it is another one than was captured.
        TargetFailedError: it cannot be read.
        OSError: it cannot be written.
    """
    total = pieces.ContentHash(entry.size)
    for part in parts_of(contents, entry):
        try:
            if part.handle is None:
                total.add_zeroes(part.length)
                sparse_copy.clear(target, at + part.offset, part.length)
            else:
                sparse_copy.copy_into(
                    total, part.handle, target, size=part.length, target_at=at + part.offset
                )
        except sparse_copy.SourceError as error:
            raise unreadable(entry, str(error.strerror)) from error
        except EOFError as error:
            raise not_the_content(entry, str(error)) from error
    if total.digest() != entry.digest:
        raise not_the_content(entry, OTHER_BYTES)


def parts_of(contents: ContentSource, entry: Entry) -> Iterator[OpenPart]:
    """Yield the parts of an entry's content in order, each open until the next is drawn.

    Raises:
        VerificationError: the store lacks it, or has another one.
        TargetFailedError: the store's disk does not give it.
    """
    return _explained(entry, content_parts.open_parts(contents, entry))


def stored_parts(contents: ContentSource, entry: Entry) -> Iterator[Part]:
    """Yield the parts of an entry's content in order; the next ones can be opened at once.

    Raises: as `parts_of`.
    """
    return _explained(entry, content_parts.stored_parts(contents, entry))


def _explained(entry: Entry, parts: Iterator[P]) -> Iterator[P]:
    """Yield parts; what the store does not give is told with the path of the file."""
    while True:
        try:
            part = next(parts, None)
        except OSError as error:
            raise unreadable(entry, str(error.strerror)) from error
        except (VerificationError, SecurityError) as error:
            raise not_the_content(entry, str(error)) from error
        if part is None:
            return
        yield part


def is_stored(contents: ContentSource, digest: str, size: int) -> bool:
    """Find out, when a target gives other bytes back, whether it was given the right ones.

    Args:
        contents: where they came from.
        digest: of the right ones, hexadecimal; anything else means no content.
        size: of the file, bytes.

    Returns:
        False if it is the store that has others, or none: no other card would help then.

    Raises:
        OSError: it cannot be read here and now.
        LinkError: it cannot be fetched.
    """
    if len(digest) != _DIGEST_LENGTH:
        return True
    entry = Entry(b"", b"", EntryType.FILE, size=size, digest=bytes.fromhex(digest))
    total = pieces.ContentHash(size)
    try:
        for part in content_parts.open_parts(contents, entry):
            if part.handle is None:
                total.add_zeroes(part.length)
            else:
                files.hash_into(total, part.handle, part.length)
    except (VerificationError, SecurityError, EOFError):
        return False
    return total.digest().hex() == digest


def not_the_content(entry: Entry, what: str) -> VerificationError:
    """Return the error for a content that is another one than was captured."""
    return not_the_content_of(paths.display(entry.path), what)


def not_the_content_of(path: str, what: str) -> VerificationError:
    """Return the same error, of a path that is text for people already."""
    return VerificationError(
        f"the content of /{path} is not the captured one: {what}",
        hint="the store was damaged or changed: `holdstill verify` lists what else is. Rebuild "
        "from another capture, or leave such files out with --leave-out-damaged",
    )


def unreadable(entry: Entry, reason: str) -> TargetFailedError:
    """Return the error for a content that the store does not give."""
    return TargetFailedError(
        f"cannot read the content of /{paths.display(entry.path)}: {reason}",
        hint="`holdstill verify` says what it is (a mode, an owner, the store's disk) and what to "
        "do. Meanwhile rebuild from another capture; what the disk has lost can be left out with "
        "--leave-out-damaged",
    )
