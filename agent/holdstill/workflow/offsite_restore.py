"""A whole keeper made again from its off-site copy, the newest captures of all boards first.

It can break off anywhere, and be begun again: what is in the store by then is not fetched again. A
capture appears when all that it needs is there.
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError, LinkError, SecurityError
from holdstill.keeper import account_captures, enrolment, ledger, store
from holdstill.keeper.board_captures import MANIFEST, SIGNATURE
from holdstill.keeper.content_store import MODE
from holdstill.keeper.ledger import LedgerFile
from holdstill.model.names import CaptureName, Digest
from holdstill.offsite import offsite_settings
from holdstill.offsite.offsite_settings import OffsiteSettings
from holdstill.records import capture_contents, manifest_file
from holdstill.workflow import each_board
from holdstill.workflow.each_board import BoardTrouble  # noqa: TC001  msgspec reads the annotation

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.manifest import Manifest
    from holdstill.model.names import BoardName
    from holdstill.model.pieces import Part
    from holdstill.offsite.head import SentCapture
    from holdstill.offsite.recovery_key import KeeperKeys
    from holdstill.system.clocks import Clock
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
        troubles: what could not be made again, each with why.
    """

    captures: list[str] = field(default_factory=list)
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
        self._fetch(lacking, self._folder)
        for name in lacking.values():
            path = self._folder / name
            path.chmod(MODE)
            disk.sync_file(path)
            contents.adopt(path, name)


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
    report = RestoreReport()
    boards = [board for board in library.boards() if _begin_board(held, library, board, report)]
    for board, sent in _newest_first(library, held, boards):
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


def _begin_board(
    held: Store, library: OffsiteLibrary, board: BoardName, report: RestoreReport
) -> bool:
    """Lay out a board: its folder, enrolment and ledger; return whether that could be done."""
    try:
        _, _, enrolled = library.documents(library.sent(board)[-1])
        enrolment.decode(enrolled, f"enrolment of {board}")
        lines = _ledger(held, library, board)
        held.ensure_own(held.board_folder(board))
        path = enrolment.path_of(held, board)
        if not path.exists():
            held.disk.publish(path, enrolled)
        enrolment.lay_out(held, board)
        target = held.board_folder(board) / "ledger.jsonl"
        if lines and (not target.exists() or not target.stat().st_size):
            held.disk.publish(target, lines)
        held.known_boards.note(board, max(one.brief.seq for one in library.sent(board)))
    except LinkError:
        raise
    except HoldstillError as error:
        report.troubles.append(each_board.trouble(board, error))
        return False
    return True


def _ledger(held: Store, library: OffsiteLibrary, board: BoardName) -> bytes:
    """Return a board's ledger, whole.

    Raises:
        SecurityError: it is not as it was written; VerificationError: a part is not there.
    """
    folder, lines = held.root / STAGING, b""
    for part in library.catalogue.ledger_parts(board):
        lines = lines[: part.offset] + library.fetcher.document(part.digest, folder)
    ledger.parse(lines).check_sound(held.board_folder(board) / "ledger.jsonl")
    return lines


def _newest_first(
    library: OffsiteLibrary, held: Store, boards: Iterable[BoardName]
) -> list[tuple[BoardName, SentCapture]]:
    """Return the captures that the ledgers have not given up: each board's newest, and so on."""
    found = []
    for board in boards:
        lines = LedgerFile(held.board_folder(board) / "ledger.jsonl").read()
        given_up = lines.thinned | lines.forgotten
        kept = [one for one in library.sent(board) if one.brief.name not in given_up]
        found += [(age, board, one) for age, one in enumerate(reversed(kept))]
    return [(board, one) for _, board, one in sorted(found, key=lambda row: row[:2])]


def _restore_capture(
    held: Store, library: OffsiteLibrary, board: BoardName, sent: SentCapture
) -> None:
    name = CaptureName.parse(sent.brief.name)
    folder = held.board_folder(board) / "captures" / str(name)
    if folder.is_dir():
        return
    data, seal, enrolled = library.documents(sent)
    doubts = library.doubts(sent, data, seal, enrolled)
    if doubts:
        raise SecurityError("; ".join(doubts), hint="it was left out; the others are made again")
    incoming = _Incoming(held, library.fetcher.contents, board, name, data)
    incoming.bring_all()
    draft = held.root / STAGING / str(name)
    held.disk.make_directory(draft)
    for document, content in ((MANIFEST, data), (SIGNATURE, seal)):
        held.disk.create(draft / document, content, mode=0o400)
    held.disk.sync_all(held.root)
    held.disk.rename(draft, folder)
    held.disk.sync_directory(folder.parent)


def continue_there(
    root: Path, library: OffsiteLibrary, keys: KeeperKeys, *, access_key: str
) -> bool:
    """Let the new store go on where the old copy ended; False if that is of several keepers."""
    if len(library.catalogue.heads) != 1:
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
