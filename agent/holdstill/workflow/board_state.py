"""What a board remembers from one capture to the next, in a small directory of its own.

It holds the index as it was last updated, and the detectors' baselines. All of it can be lost:
then the next capture reads everything once and still sends only what the keeper lacks.
"""

from __future__ import annotations

import fcntl
import os
import secrets
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import BusyError, HoldstillError, SecurityError, VerificationError
from holdstill.model import pieces
from holdstill.model.layout import Record
from holdstill.records import index_file, manifest_file
from holdstill.records.index_schema import DamagedIndexError
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from holdstill.model.manifest import Manifest
    from holdstill.model.pieces import PieceList
    from holdstill.model.protocol import RunStarted
    from holdstill.records.index_queries import Index

LAST = "last.json"
INDEX = "index.sqlite"
MANIFEST = "manifest.yaml"
RATE = "copy-rate.json"
LINE = "line.json"
FAILED = "failed.json"
ASKED = "asked"
WORD = "word"
LISTS = "lists"
OURS = (
    LAST,
    MANIFEST,
    FAILED,
    RATE,
    LINE,
    ASKED,
    WORD,
    INDEX,
    f"{INDEX}-*",
    "baseline-*",
    "pieces-*",
    f"{LISTS}/*",
)
"""Patterns of all the files in it that are written here."""


class LastCapture(Record, frozen=True, kw_only=True):
    """The last sealed capture.

    Attributes:
        manifest: SHA-256 of its manifest; "" before the first.
        unchecked: captures since the change detection was last cross-checked by a full scan.
    """

    board: str = ""
    keeper: str = ""
    seq: int = 0
    manifest: str = ""
    unchecked: int = 0


class LineSeen(Record, frozen=True, kw_only=True):
    """What was seen of the line to the keeper.

    Attributes:
        rate: bytes a second; 0 for not measured.
        at: when that was measured, by the board's clock (RFC 3339); "" for never.
        sent: bytes that the last sealed capture sent.
        compressed, compressed_to: contents of it that were compressed on their way, and what that
            made of them.
    """

    rate: float = 0.0
    at: str = ""
    sent: int = 0
    compressed: int = 0
    compressed_to: int = 0


def line_seen(directory: Path) -> LineSeen:
    """Return what was seen of the line, also while another run holds the directory."""
    try:
        return msgspec.json.decode((directory / LINE).read_bytes(), type=LineSeen)
    except (FileNotFoundError, msgspec.MsgspecError):
        return LineSeen()


class BoardState:
    """The directory; use `held`."""

    def __init__(self, directory: Path) -> None:
        self._directory = directory
        self.last = self._load()

    @property
    def index_path(self) -> Path:
        """The index file."""
        return self._directory / INDEX

    def _load(self) -> LastCapture:
        try:
            data = (self._directory / LAST).read_bytes()
            return msgspec.json.decode(data, type=LastCapture)
        except (FileNotFoundError, msgspec.MsgspecError):
            return LastCapture()

    def manifest(self) -> Manifest | None:
        """Return the manifest of the last capture; None if it is not remembered whole."""
        try:
            data = (self._directory / MANIFEST).read_bytes()
            is_of_last = manifest_file.digest(data) == self.last.manifest
            return manifest_file.decode(data) if is_of_last else None
        except (FileNotFoundError, HoldstillError):
            return None

    def save(self, last: LastCapture, manifest: bytes) -> None:
        """Remember a sealed capture, with the bytes of its manifest."""
        files.publish(self._directory / MANIFEST, manifest)
        files.publish(self._directory / LAST, msgspec.json.encode(last))
        (self._directory / FAILED).unlink(missing_ok=True)
        self.last = last

    def last_known(self, board: str, keeper: str, started: RunStarted) -> int:
        """Return the number of the last capture that is known to be sealed; 0 for none.

        One of another board, or at another keeper, says nothing. One that was to be sealed, and of
        which nobody heard, is known when the keeper builds on it.
        """
        if started.previous and started.previous == self._asked():
            return started.seq - 1
        is_of_these = (self.last.board, self.last.keeper) == (board, keeper)
        return self.last.seq if self.last.manifest and is_of_these else 0

    def _asked(self) -> str:
        try:
            return (self._directory / ASKED).read_text(encoding="ascii", errors="replace")
        except FileNotFoundError:
            return ""

    def save_asked(self, manifest: str) -> None:
        """Remember the SHA-256 of a manifest to be sealed: the answer to that may not arrive."""
        files.publish(self._directory / ASKED, manifest.encode())

    def word(self) -> str:
        """Return what this board, and no other that has its key, says when it begins a run."""
        path = self._directory / WORD
        if not path.exists():
            files.publish(path, secrets.token_hex(16).encode())
        return path.read_text(encoding="ascii", errors="replace")

    @property
    def copy_rate(self) -> float:
        """Bytes a second that the last pause copied, sealed or not; 0 for not known."""
        try:
            rate = msgspec.json.decode((self._directory / RATE).read_bytes(), type=float)
        except (FileNotFoundError, msgspec.MsgspecError):
            return 0.0
        return max(rate, 0.0)

    def save_copy_rate(self, rate: float) -> None:
        """Remember what a pause copied in a second; it tells whether the next one can end."""
        files.publish(self._directory / RATE, msgspec.json.encode(rate))

    @property
    def line(self) -> LineSeen:
        """What earlier runs have seen of the line to the keeper."""
        return line_seen(self._directory)

    def save_line(self, seen: LineSeen) -> None:
        """Remember what was seen of the line to the keeper."""
        files.publish(self._directory / LINE, msgspec.json.encode(seen))

    def known_pieces(self, name: str) -> frozenset[bytes]:
        """Return the pieces that an attachment of the last capture had; none if unknown."""
        try:
            data = (self._directory / f"pieces-{name}").read_bytes()
            listed = pieces.decode(data, name)
        except (FileNotFoundError, SecurityError):
            return frozenset()
        return frozenset(digest for digest, _ in listed.pieces())

    def save_pieces(self, lists: Mapping[str, PieceList]) -> None:
        """Remember the pieces of a sealed capture's attachments."""
        for name, listed in lists.items():
            files.publish(self._directory / f"pieces-{name}", listed.encode())

    def list_of(self, digest: bytes) -> PieceList | None:
        """Return a list of pieces that was sent before, by its digest; None if it is not known."""
        return remembered_list(self._directory, digest)

    def save_list(self, listed: PieceList) -> None:
        """Remember the pieces of a large file that was sent."""
        self._lists.mkdir(mode=0o700, exist_ok=True)
        files.publish(self._lists / listed.digest().hex(), listed.encode())

    def keep_lists(self, digests: Iterable[bytes]) -> None:
        """Forget all lists but these."""
        kept = {digest.hex() for digest in digests}
        for path in self._lists.glob("*"):
            if path.name not in kept:
                path.unlink()

    @property
    def _lists(self) -> Path:
        return self._directory / LISTS

    def baseline(self, part: int) -> bytes:
        """Return what the detector of a part wanted remembered, b"" for nothing."""
        try:
            return (self._directory / f"baseline-{part}").read_bytes()
        except FileNotFoundError:
            return b""

    def save_baseline(self, part: int, data: bytes) -> None:
        """Remember a detector's baseline; the index must have been committed before."""
        files.publish(self._directory / f"baseline-{part}", data)

    def forget_baselines(self) -> None:
        """Make the next scan of every partition a full one."""
        for path in self._directory.glob("baseline-*"):
            path.unlink()

    @contextmanager
    def index(self) -> Iterator[Index]:
        """Hold the index open for writing; a new one when there is none of ours.

        Raises:
            VerificationError: it turned out to be damaged; it was thrown away.
        """
        if not self._has_index():
            self.forget_baselines()
            with index_file.created(self.index_path):
                pass
        try:
            with index_file.updated(self.index_path) as index:
                yield index
        except DamagedIndexError as error:
            self.index_path.unlink(missing_ok=True)
            raise VerificationError(
                f"the remembered index in {self._directory} was damaged; it is gone now: {error}",
                hint="run the capture again: it reads everything once. Check the card's health",
            ) from error

    def _has_index(self) -> bool:
        if not self.index_path.exists():
            return False
        try:
            with index_file.updated(self.index_path):
                return True
        except VerificationError:
            return False


class FailedCapture(Record, frozen=True, kw_only=True):
    """A capture that somebody asked for and that was not sealed.

    Attributes:
        at: when, by the board's clock (RFC 3339).
        code: the exit code of the command.
        what, hint: what happened, and what to do, for a person.
    """

    at: str
    code: int
    what: str
    hint: str = ""


def save_failure(directory: Path, failed: FailedCapture) -> None:
    """Remember that a capture failed, until one is sealed."""
    directory.mkdir(mode=0o700, parents=True, exist_ok=True)
    files.publish(directory / FAILED, msgspec.json.encode(failed))


def failure(directory: Path) -> FailedCapture | None:
    """Return the last capture that somebody asked for if it failed, and none was sealed since."""
    try:
        return msgspec.json.decode((directory / FAILED).read_bytes(), type=FailedCapture)
    except (FileNotFoundError, msgspec.MsgspecError):
        return None


def remembered_list(directory: Path, digest: bytes) -> PieceList | None:
    """Return a list that is remembered, also while another run holds the directory."""
    if not digest:
        return None
    try:
        data = (directory / LISTS / digest.hex()).read_bytes()
        listed = pieces.decode(data, digest.hex())
    except (FileNotFoundError, SecurityError):
        return None
    return listed if listed.digest() == digest else None


def sealed_at(directory: Path) -> datetime | None:
    """Return when this board last sealed a capture, by its clock; None for never."""
    try:
        return datetime.fromtimestamp((directory / LAST).stat().st_mtime, UTC)
    except FileNotFoundError:
        return None


@contextmanager
def opened(directory: Path) -> Iterator[BoardState]:
    """Hold the state for one run; the kernel releases the lock when the run ends.

    Raises:
        BusyError: another run holds it.
    """
    directory.mkdir(mode=0o700, parents=True, exist_ok=True)
    with files.opened(directory, os.O_RDONLY | os.O_DIRECTORY) as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise BusyError(
                f"another run is active (it holds {directory})",
                hint="wait for it, or see `holdstill status`",
            ) from error
        yield BoardState(directory)
