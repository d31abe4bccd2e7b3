"""Contents on their way to a target: what is wrong with one is said of whoever is to blame."""

from __future__ import annotations

import errno
import os
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import LinkError, TargetFailedError, VerificationError
from holdstill.filesystems import writer_input
from support.contents import FolderContents, a_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from holdstill.model.entries import Entry
    from holdstill.model.pieces import Part
    from holdstill.model.sealed_capture import ContentSource

LEDGER = b"1.42 m\n" * 9000


class Failing:
    """Contents that cannot be opened."""

    def __init__(self, error: Exception) -> None:
        self._error = error

    def open(self, digest: bytes) -> int:
        del digest
        raise self._error

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Yield the same parts."""
        yield from parts


class WriteOnly(FolderContents):
    """Contents that can be opened and not be read: EBADF, for want of a broken disk."""

    def open(self, digest: bytes) -> int:
        return os.open(self.folder / digest.hex(), os.O_WRONLY)

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Yield the same parts."""
        yield from parts


@pytest.fixture
def contents(tmp_path: Path) -> FolderContents:
    return FolderContents(tmp_path / "contents")


@pytest.fixture
def ledger(contents: FolderContents) -> Entry:
    return a_file(contents, b"ledger", LEDGER)


def copied(contents: ContentSource, entry: Entry, folder: Path) -> bytes:
    path = folder / "target"
    with path.open("w+b") as target:
        writer_input.copy(contents, entry, target.fileno(), at=512)
    return path.read_bytes()


def test_a_content_is_copied_to_its_place(
    contents: FolderContents, ledger: Entry, tmp_path: Path
) -> None:
    assert copied(contents, ledger, tmp_path) == bytes(512) + LEDGER


def test_one_that_cannot_be_read_is_no_fault_of_the_target(
    contents: FolderContents, ledger: Entry, tmp_path: Path
) -> None:
    with pytest.raises(TargetFailedError, match=r"^cannot read the content of /ledger") as caught:
        copied(WriteOnly(contents.folder), ledger, tmp_path)

    assert "--leave-out-damaged" in caught.value.hint


@pytest.mark.parametrize(
    ("spoil", "what"),
    [
        (lambda path: path.write_bytes(b"x" + LEDGER[1:]), "another SHA-256"),
        (lambda path: path.write_bytes(LEDGER + b"x"), "63001 bytes instead of 63000"),
        (lambda path: path.write_bytes(LEDGER[:-1]), "62999 bytes instead of 63000"),
    ],
)
def test_one_that_is_another_is_named(
    contents: FolderContents,
    ledger: Entry,
    tmp_path: Path,
    spoil: Callable[[Path], object],
    what: str,
) -> None:
    spoil(contents.folder / ledger.digest.hex())

    with pytest.raises(VerificationError, match=rf"^the content of /ledger is not.*{what}"):
        copied(contents, ledger, tmp_path)


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (VerificationError("the store lacks content 1234"), VerificationError),
        (OSError(errno.EIO, "Input/output error"), TargetFailedError),
    ],
)
def test_one_that_cannot_be_opened_is_named(
    ledger: Entry, error: Exception, kind: type[Exception]
) -> None:
    with pytest.raises(kind, match="content of /ledger"):
        writer_input.handle_of(Failing(error), ledger)


def test_the_store_has_what_it_was_asked_for(contents: FolderContents, ledger: Entry) -> None:
    assert writer_input.is_stored(contents, ledger.digest.hex(), ledger.size)
    assert writer_input.is_stored(contents, "none", 0)


def test_the_store_has_something_else_or_nothing(contents: FolderContents, ledger: Entry) -> None:
    (contents.folder / ledger.digest.hex()).write_bytes(b"x" + LEDGER[1:])

    assert not writer_input.is_stored(contents, ledger.digest.hex(), ledger.size)
    assert not writer_input.is_stored(
        Failing(VerificationError("lacks it")), ledger.digest.hex(), ledger.size
    )


@pytest.mark.parametrize(
    "error", [OSError(errno.EMFILE, "Too many open files"), LinkError("the line is gone")]
)
def test_a_store_that_cannot_be_asked_is_not_blamed(ledger: Entry, error: Exception) -> None:
    with pytest.raises(type(error)):
        writer_input.is_stored(Failing(error), ledger.digest.hex(), ledger.size)
