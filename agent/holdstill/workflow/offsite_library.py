"""Captures read straight from an off-site copy, with the recovery key and without their keeper.

The manifest must be signed by a key of the board as its keeper had first enrolled it, and be the
one of the capture's name; every content is checked where it is taken out of its pack. Enrolments
are not signed, so a key that came later counts when the owner says so. On this machine are,
meanwhile: a list of all contents, and as much of them as `workflow.prefetch` allows.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import HoldstillError, SecurityError, UsageError, VerificationError
from holdstill.keeper.board_captures import MISSING, UNSIGNED
from holdstill.model import names
from holdstill.model.names import CaptureName
from holdstill.offsite import catalogue
from holdstill.offsite.fetch import Fetcher
from holdstill.records import manifest_file, signature
from holdstill.workflow import capture_ref
from holdstill.workflow.offsite_keys import BoardKeys
from holdstill.workflow.prefetch import LIMIT, PrefetchCache
from holdstill.workflow.remote_capture import RemoteCapture

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence
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
        limit: int = LIMIT, accepted: Collection[str] = (),
    ) -> None:  # fmt: skip
        self.catalogue, self.fetcher = held, Fetcher(held, key)
        self._machine, self._folder, self._limit = machine, folder, limit
        self._keys = BoardKeys(held, self._document, accepted)

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
        """Return what was told of a board's captures, oldest first.

        That one has trouble nobody has signed. So it counts if each keeper that tells of it says
        so: else one name more would make the newest captures be passed over.
        """
        found = (
            min(told, key=lambda one: not one.sent.brief.is_whole).sent
            for (of, _), told in self.catalogue.captures.items()
            if of == board
        )
        return sorted(found, key=lambda one: one.brief.seq)

    def briefs(self, board: BoardName) -> tuple[CaptureBrief, ...]:
        """List the captures of a board, oldest first; with a fault, what is there no more."""
        return tuple(
            msgspec.structs.replace(one.brief, faults=(*one.brief.faults, *self._lost(one)))
            for one in self.sent(board)
        )

    def is_there(self, sent: SentCapture) -> bool:
        """Return whether the packs that have a capture's documents are there."""
        every = self.catalogue.captures[names.check_board(sent.board), sent.brief.name]
        return any(all(map(self.catalogue.places, one.sent.documents)) for one in every)

    def _lost(self, sent: SentCapture) -> tuple[str, ...]:
        if self.is_there(sent):
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
        data, _, doubts = self.documents(board, brief.name)
        cache = PrefetchCache(
            self._place(f"{board}-{brief.name}"), self._contents, limit=self._limit
        )
        return RemoteCapture(
            board, CaptureName.parse(brief.name), data, (*brief.faults, *doubts), cache, brief
        )

    def documents(self, board: BoardName, name: str) -> tuple[bytes, bytes, tuple[str, ...]]:
        """Return a capture's manifest, its signature, and what is wrong with it.

        Of several that keepers tell of, it is the first one that is good.

        Raises:
            VerificationError: they are not there, or not as they were sent.
        """
        bad: tuple[bytes, bytes, tuple[str, ...]] | None = None
        lacking: VerificationError | None = None
        for one in self.catalogue.captures[board, name]:
            try:
                manifest, seal, enrolled = map(self._document, one.sent.documents)
            except VerificationError as error:
                lacking = lacking or error
                continue
            doubts = self._doubts(one.sent, manifest, seal, enrolled)
            if not doubts:
                return manifest, seal, ()
            bad = bad or (manifest, seal, doubts)
        if bad is None:
            assert lacking is not None  # noqa: S101  somebody tells of it
            raise lacking
        return bad

    def _document(self, digest: bytes) -> bytes:
        return self.fetcher.document(digest, self._place("documents"))

    def enrolment_of(self, board: BoardName) -> bytes:
        """Return the newest enrolment of a board that has no key which is not relied on.

        Raises:
            VerificationError: there is none.
        """
        return self._keys.enrolment_of(board)

    def _doubts(
        self, sent: SentCapture, data: bytes, seal: bytes, enrolled: bytes
    ) -> tuple[str, ...]:
        """Return what is wrong with a capture, as far as its documents show."""
        board, name = names.check_board(sent.board), sent.brief.name
        keys = self._keys.of(board, enrolled)
        if not self._is_signed(data, seal, board, keys.relied_on):
            if not self._is_signed(data, seal, board, keys.others):
                return (f"{UNSIGNED}: no key of the board has signed it",)
            return (f"{UNSIGNED}: {keys.doubt}",)
        try:
            manifest = manifest_file.decode(data, f"manifest of {board} {name}")
        except HoldstillError as error:
            return (str(error),)
        if (manifest.board.name, manifest.seq) != (board, CaptureName.parse(name).seq):
            return (f"bad name: it is capture {manifest.seq} of {manifest.board.name}",)
        return ()

    def _is_signed(self, data: bytes, seal: bytes, board: BoardName, keys: Sequence[str]) -> bool:
        try:
            signature.verify(data, seal, board=board, keys=keys, runner=self._machine)
        except SecurityError:
            return False
        return bool(keys)

    def _place(self, name: str) -> Path:
        folder = self._folder / name
        folder.mkdir(mode=0o700, exist_ok=True)
        return folder

    def _contents(self, digests: Sequence[Digest], folder: Path) -> None:
        self.fetcher.contents(map(bytes.fromhex, digests), folder)


@contextmanager
def opened(
    bucket: Bucket, key: RecoveryKey, *, machine: Runner, folder: Path, limit: int = LIMIT,
    accepted: Collection[str] = (),
) -> Iterator[OffsiteLibrary]:  # fmt: skip
    """Hold an off-site copy open for reading; accepted: as for `BoardKeys`.

    Raises:
        LinkError: it cannot be reached.
        SecurityError: it was made for another key; VerificationError: there is none.
    """
    with catalogue.opened(bucket, key.of_keeper.heads, folder) as held:
        yield OffsiteLibrary(
            held, key, machine=machine, folder=folder, limit=limit, accepted=accepted
        )
