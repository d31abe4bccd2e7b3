"""A whole keeper made again from its off-site copy, the newest captures of all boards first.

It can break off anywhere, and be begun again: what is in the store by then is not fetched again. A
capture appears when all that it needs is there.
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError, LinkError, SecurityError, VerificationError
from holdstill.keeper import account_captures, enrolment, store
from holdstill.keeper.board_captures import MANIFEST, SIGNATURE
from holdstill.keeper.content_store import MODE
from holdstill.model.names import CaptureName, Digest
from holdstill.offsite import offsite_settings
from holdstill.offsite.offsite_settings import OffsiteSettings
from holdstill.records import capture_contents, manifest_file
from holdstill.workflow import each_board, offsite_ledgers
from holdstill.workflow.each_board import BoardTrouble  # noqa: TC001  msgspec reads the annotation

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.manifest import Manifest
    from holdstill.model.names import BoardName
    from holdstill.model.pieces import Part
    from holdstill.offsite.head import SentCapture
    from holdstill.offsite.recovery_key import KeeperKeys
    from holdstill.system.clocks import Clock
    from holdstill.workflow.offsite_ledgers import KeptLedger
    from holdstill.workflow.offsite_library import OffsiteLibrary
    from holdstill.workflow.ports import Progress

STAGING = "restoring"
_BATCH, _BATCH_BYTES = 4000, 64 << 20
"""Contents, and bytes of them, that are fetched before they are taken over."""
Fetch = Callable[["Iterable[bytes]", "Path"], None]


@dataclass
class RestoreReport:
    """What came of it.

    Attributes:
        captures: BOARD/CAPTURE of those that are in the store now.
        left_out: of those that are there and that the boards' ledgers give up.
        away: of those that had left the keeper, and stay there alone.
        troubles: what could not be made again, each with why.
    """

    captures: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    away: list[str] = field(default_factory=list)
    troubles: list[BoardTrouble] = field(default_factory=list)


class _Incoming:
    """The contents of the new store; what is not there is fetched. Of the shape of a capture."""

    def __init__(
        self, held: Store, fetch: Fetch, board: BoardName, name: CaptureName, data: bytes
    ) -> None:
        self._store, self._fetch = held, fetch
        self._folder = held.root / STAGING
        self.board, self.name, self._data = board, name, data

    def manifest(self) -> Manifest:
        """Return the manifest, decoded."""
        return manifest_file.decode(self._data, f"manifest of {self.board} {self.name}")

    def open(self, digest: bytes) -> int:
        """Open a content by its 32 bytes; the caller closes the descriptor."""
        self.bring([digest])
        return self._store.contents.open(digest)

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Yield the same parts, with the contents of the next ones fetched."""
        batch: list[Part] = []
        total = 0
        for part in parts:
            batch.append(part)
            total += part.length if part.digest else 0
            if len(batch) >= _BATCH or total >= _BATCH_BYTES:
                self.bring(one.digest for one in batch if one.digest)
                yield from batch
                batch, total = [], 0
        self.bring(one.digest for one in batch if one.digest)
        yield from batch

    def bring_all(self) -> None:
        """Have all that the capture needs in the store."""
        batch: dict[bytes, int] = {}
        total = 0
        for digest, size in capture_contents.needed(self):
            if digest in batch or self._store.contents.has(Digest(digest.hex())):
                continue
            batch[digest] = size
            total += size
            if len(batch) >= _BATCH or total >= _BATCH_BYTES:
                self.bring(batch)
                batch, total = {}, 0
        self.bring(batch)

    def bring(self, digests: Iterable[bytes]) -> None:
        """Have these contents in the store; each was checked where it came from."""
        contents, disk = self._store.contents, self._store.disk
        lacking = {one: Digest(one.hex()) for one in digests}
        lacking = {one: name for one, name in lacking.items() if not contents.has(name)}
        if not lacking:
            return
        try:
            self._fetch(lacking, self._folder)
        finally:
            # What came before one failed is good: other captures need it as well.
            for path in (self._folder / name for name in lacking.values()):
                if path.exists():
                    path.chmod(MODE)
                    disk.sync_file(path)
                    contents.adopt(path, Digest(path.name))


def restore(
    library: OffsiteLibrary, root: Path, *, clock: Clock, progress: Progress
) -> RestoreReport:
    """Make a store of all that is off-site; one that was begun is continued.

    Raises:
        UsageError: the directory holds something else.
        LinkError: the copy cannot be reached any more.
    """
    held = store.create(root, clock=clock)
    held.discard(root / STAGING)
    held.disk.make_directory(root / STAGING)
    report = RestoreReport(troubles=[_failing(text) for text in library.catalogue.failing])
    wanted: dict[BoardName, list[SentCapture]] = {}
    for board in library.boards():
        try:
            wanted[board] = _begin_board(held, library, board, report)
        except LinkError:
            raise
        except HoldstillError as error:
            report.troubles.append(each_board.trouble(board, error))
    for board, sent in _newest_first(wanted):
        name = sent.brief.name
        progress.step(f"fetching {board}/{name}")
        try:
            _restore_capture(held, library, board, sent)
        except LinkError:
            raise
        except HoldstillError as error:
            report.troubles.append(each_board.trouble(f"{board}/{name}", error))
            continue
        report.captures.append(f"{board}/{name}")
    held.discard(root / STAGING)
    for complaint in account_captures.bring_up_to_date(held):
        progress.warn(complaint)
    return report


def _failing(text: str) -> BoardTrouble:
    error = VerificationError(
        f"{text}; what it tells of was not made again",
        hint="ask who runs the server to look at that object, and run this once more",
    )
    return each_board.trouble("head", error)


def _begin_board(
    held: Store, library: OffsiteLibrary, board: BoardName, report: RestoreReport
) -> list[SentCapture]:
    """Lay out a board: its folder, enrolment and ledger; return the captures to be made again.

    Raises:
        VerificationError: there is no enrolment of it.
    """
    enrolled = library.enrolment_of(board)
    ledgers = _ledgers(held, library, board, report)
    held.ensure_own(held.board_folder(board))
    path = enrolment.path_of(held, board)
    if not path.exists():
        held.disk.publish(path, enrolled)
    enrolment.lay_out(held, board)
    target = held.board_folder(board) / "ledger.jsonl"
    if ledgers and not target.stat().st_size:
        held.disk.publish(target, max(ledgers.values(), key=_vouches(library, board)).lines)
    held.known_boards.note(board)
    return _wanted(library, board, ledgers, report)


def _vouches(library: OffsiteLibrary, board: BoardName) -> Callable[[KeptLedger], int]:
    """Return what says how many captures that are there a ledger expects."""
    there = {name for of, name in library.catalogue.captures if of == board}
    return lambda one: len(one.expected & there)


def _ledgers(
    held: Store, library: OffsiteLibrary, board: BoardName, report: RestoreReport
) -> dict[str, KeptLedger]:
    """Return a board's ledgers by keeper; what is wrong with them is told."""
    folder = held.root / STAGING
    found = {
        keeper: offsite_ledgers.joined(parts, lambda one: library.fetcher.document(one, folder))
        for keeper, parts in library.catalogue.ledgers_of(board).items()
    }
    problems = [f"keeper {keeper}: {text}" for keeper, one in found.items() for text in one.faults]
    if len(found) > 1:
        problems.append(
            f"keepers {', '.join(found)} have one each; the one that expects the most is taken"
        )
    for text in problems:
        error = VerificationError(
            f"ledger: {text}",
            hint="the captures are made again as far as they are there; see what `holdstill "
            "verify` says of this board",
        )
        report.troubles.append(each_board.trouble(board, error))
    return found


def _wanted(
    library: OffsiteLibrary, board: BoardName, ledgers: Mapping[str, KeptLedger],
    report: RestoreReport,
) -> list[SentCapture]:  # fmt: skip
    """Return the captures of a board that not every keeper which tells of them has given up."""
    given_up = {keeper: one.given_up for keeper, one in ledgers.items()}
    wanted = []
    for sent in library.sent(board):
        name = sent.brief.name
        told = library.catalogue.captures[board, name]
        if not all(name in given_up.get(one.keeper, ()) for one in told):
            wanted.append(sent)
        elif (board, name) in library.catalogue.away:
            report.away.append(f"{board}/{name}")
        elif library.is_there(sent):
            report.left_out.append(f"{board}/{name}")
    return wanted


def _newest_first(
    wanted: Mapping[BoardName, Sequence[SentCapture]],
) -> list[tuple[BoardName, SentCapture]]:
    """Return captures in their order: each board's newest, then the ones before, and so on."""
    found = [
        (age, board, one)
        for board, captures in wanted.items()
        for age, one in enumerate(reversed(captures))
    ]
    return [(board, one) for _, board, one in sorted(found, key=lambda row: row[:2])]


def _restore_capture(
    held: Store, library: OffsiteLibrary, board: BoardName, sent: SentCapture
) -> None:
    name = CaptureName.parse(sent.brief.name)
    folder = held.board_folder(board) / "captures" / str(name)
    if folder.is_dir():
        return
    data, seal, doubts = library.documents(board, sent.brief.name)
    if doubts:
        raise SecurityError(
            "; ".join(doubts),
            hint="it was left out; the others are made again. When that is cleared up, run this "
            "once more",
        )
    incoming = _Incoming(held, library.fetcher.contents, board, name, data)
    incoming.bring_all()
    draft = held.root / STAGING / str(name)
    held.disk.make_directory(draft)
    for document, content in ((MANIFEST, data), (SIGNATURE, seal)):
        held.disk.create(draft / document, content, mode=0o400)
    held.disk.sync_all(held.root)
    held.disk.rename(draft, folder)
    held.disk.sync_directory(folder.parent)
    held.known_boards.note(board, name.seq)


def is_in_part(library: OffsiteLibrary) -> bool:
    """Whether the server failed at a head or a pack, so that more is there than was read."""
    return bool(library.catalogue.failing) or library.fetcher.is_failing


def continue_there(
    root: Path, library: OffsiteLibrary, keys: KeeperKeys, *, access_key: str
) -> bool:
    """Let the new store go on where the old copy ended.

    False if that is of several keepers, or not all of it was read: an upload gives up what is
    off-site and not here.
    """
    if is_in_part(library) or len(library.catalogue.heads) != 1:
        return False
    (keeper,) = library.catalogue.heads
    settings = OffsiteSettings(
        address=str(library.catalogue.bucket.address), keeper=keeper, access_key=access_key,
        recipient=base64.b64encode(keys.recipient).decode(),
        heads=base64.b64encode(keys.heads).decode(),
    )  # fmt: skip
    if not offsite_settings.is_there(root):
        offsite_settings.write(root, settings)
    return True
