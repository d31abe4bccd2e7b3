"""Captures read straight from an off-site copy, with the recovery key and without their keeper.

The manifest must be signed by a key of the board as its keeper had enrolled it, and be the one of
the capture's name; every content is checked where it is taken out of its pack. On this machine
are, meanwhile: a list of all contents, and as much of them as `workflow.prefetch` allows.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import DocumentError, HoldstillError, SecurityError, UsageError
from holdstill.keeper import enrolment
from holdstill.keeper.board_captures import MISSING, UNSIGNED
from holdstill.model import names
from holdstill.model.names import CaptureName
from holdstill.offsite import catalogue
from holdstill.offsite.fetch import Fetcher
from holdstill.records import manifest_file, signature
from holdstill.workflow import capture_ref
from holdstill.workflow.prefetch import LIMIT, PrefetchCache
from holdstill.workflow.remote_capture import RemoteCapture

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from holdstill.model.names import BoardName, Digest
    from holdstill.model.protocol import CaptureBrief
    from holdstill.offsite.bucket import Bucket
    from holdstill.offsite.catalogue import Catalogue
    from holdstill.offsite.head import SentCapture
    from holdstill.offsite.recovery_key import RecoveryKey
    from holdstill.system.process import Runner


class OffsiteLibrary:
    """All captures of an off-site copy.

    Attributes:
        catalogue: what is there.
        fetcher: gets contents.
    """

    def __init__(
        self, held: Catalogue, key: RecoveryKey, *, machine: Runner, folder: Path,
        limit: int = LIMIT,
    ) -> None:  # fmt: skip
        self.catalogue, self.fetcher = held, Fetcher(held, key)
        self._machine, self._folder, self._limit = machine, folder, limit

    def boards(self) -> tuple[BoardName, ...]:
        """Return the boards, in order."""
        return tuple(sorted({board for board, _ in self.catalogue.captures}))

    def check_known(self, board: str) -> BoardName:
        """Return a board's name, if there is anything of it.

        Raises:
            UsageError: there is not.
        """
        name = names.check_board(board)
        if name not in self.boards():
            raise UsageError(
                f"{self.catalogue.bucket.address} has nothing of board {board}",
                hint=f"it has {', '.join(self.boards()) or 'no boards'}",
            )
        return name

    def sent(self, board: BoardName) -> list[SentCapture]:
        """Return what was told of a board's captures, oldest first."""
        found = (one for (of, _), one in self.catalogue.captures.items() if of == board)
        return sorted(found, key=lambda one: one.brief.seq)

    def briefs(self, board: BoardName) -> tuple[CaptureBrief, ...]:
        """List the captures of a board, oldest first; with a fault, what is there no more."""
        return tuple(
            msgspec.structs.replace(one.brief, faults=(*one.brief.faults, *self._lost(one)))
            for one in self.sent(board)
        )

    def _lost(self, sent: SentCapture) -> tuple[str, ...]:
        if all(map(self.catalogue.places, sent.documents)):
            return ()
        return (f"{MISSING}: the pack with its manifest or signature is not there",)

    def find(self, reference: str) -> RemoteCapture:
        """Return the capture that BOARD or BOARD/CAPTURE means, with what is wrong with it.

        Raises:
            UsageError: there is none.
            VerificationError: its documents are not there, or not as they were sent.
        """
        text, _, which = reference.partition("/")
        board = self.check_known(text)
        brief = capture_ref.chosen(self.briefs(board), which, board)
        sent = self.catalogue.captures[board, brief.name]
        data, seal, enrolled = self.documents(sent)
        doubts = self.doubts(sent, data, seal, enrolled)
        cache = PrefetchCache(
            self._place(f"{board}-{brief.name}"), self._contents, limit=self._limit
        )
        return RemoteCapture(
            board, CaptureName.parse(brief.name), data, (*brief.faults, *doubts), cache, brief
        )

    def documents(self, sent: SentCapture) -> tuple[bytes, bytes, bytes]:
        """Return a capture's manifest, its signature, and the enrolment of its board.

        Raises:
            VerificationError: they are not there, or not as they were sent.
        """
        folder = self._place("documents")
        manifest, seal, enrolled = (self.fetcher.document(d, folder) for d in sent.documents)
        return manifest, seal, enrolled

    def doubts(
        self, sent: SentCapture, data: bytes, seal: bytes, enrolled: bytes
    ) -> tuple[str, ...]:
        """Return what is wrong with a capture, as far as its documents show."""
        board, name = names.check_board(sent.board), sent.brief.name
        try:
            keys = enrolment.decode(enrolled, f"enrolment of {board}")
            signature.verify(data, seal, board=board, keys=keys.every_key, runner=self._machine)
        except DocumentError as error:
            return (f"{UNSIGNED}: {error}",)
        except SecurityError:
            return (f"{UNSIGNED}: no key of the board has signed it",)
        try:
            manifest = manifest_file.decode(data, f"manifest of {board} {name}")
        except HoldstillError as error:
            return (str(error),)
        if (manifest.board.name, manifest.seq) != (board, CaptureName.parse(name).seq):
            return (f"bad name: it is capture {manifest.seq} of {manifest.board.name}",)
        return ()

    def _place(self, name: str) -> Path:
        folder = self._folder / name
        folder.mkdir(mode=0o700, exist_ok=True)
        return folder

    def _contents(self, digests: Sequence[Digest], folder: Path) -> None:
        self.fetcher.contents(map(bytes.fromhex, digests), folder)


@contextmanager
def opened(
    bucket: Bucket, key: RecoveryKey, *, machine: Runner, folder: Path, limit: int = LIMIT
) -> Iterator[OffsiteLibrary]:
    """Hold an off-site copy open for reading.

    Raises:
        LinkError: it cannot be reached.
        SecurityError: it was made for another key; VerificationError: there is none.
    """
    with catalogue.opened(bucket, key.of_keeper.heads, folder) as held:
        yield OffsiteLibrary(held, key, machine=machine, folder=folder, limit=limit)
