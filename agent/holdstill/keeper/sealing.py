"""Sealing: everything is checked, laid out beside the captures, and appears by one rename."""

from __future__ import annotations

import itertools
import re
import sqlite3
from collections import Counter
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from holdstill.errors import DamagedContentError, HoldstillError, SecurityError
from holdstill.keeper import deletion, enrolment, repair, trash
from holdstill.keeper.board_captures import MANIFEST, SIGNATURE
from holdstill.keeper.ledger import SealedEvent
from holdstill.keeper.references import ContentSum
from holdstill.model import names, pieces
from holdstill.model.attachment_names import INDEX, gap_name, raw_name
from holdstill.model.finding import FindingKind
from holdstill.model.names import CaptureName, Digest
from holdstill.model.protocol import BATCH, CaptureBrief
from holdstill.records import (
    assembled,
    capture_contents,
    captured_gap,
    index_check,
    index_file,
    index_schema,
    manifest_file,
    signature,
)
from holdstill.system import clocks, files

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.keeper.board_captures import BoardCaptures
    from holdstill.keeper.incoming import Staging
    from holdstill.keeper.ledger import Ledger
    from holdstill.keeper.possession import Possession
    from holdstill.keeper.references import References
    from holdstill.keeper.store import Store
    from holdstill.model.manifest import Manifest
    from holdstill.model.names import BoardName
    from holdstill.system.clocks import Clock

ATTACHMENT_MAX = 1 << 50
"""Bytes that a raw partition may have."""
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", re.ASCII)
_YEARS = range(1970, 2446)
"""From the epoch of clocks without a battery to the end of ext4\'s dates."""


class CaptureNeeds(NamedTuple):
    """The contents that a capture needs.

    Attributes:
        sum: what they come to; written into the ledger.
        new_bytes: of those that no capture of any board had before.
        lacking: those that are not in the store, or that the board has not shown to have.
        fresh: how many the board's newest capture did not need.
        is_same: whether they are exactly those of the board's newest capture.
    """

    sum: ContentSum = ContentSum()
    new_bytes: int = 0
    lacking: tuple[Digest, ...] = ()
    fresh: int = 0
    is_same: bool = False


@contextmanager
def _trouble_of_references() -> Iterator[None]:
    """Tell trouble of the references as such, that comes up while an index is read.

    The index was checked to its last page before: what SQLite complains of now is the other file.
    """
    try:
        yield
    except SecurityError as error:
        if isinstance(error.__cause__, sqlite3.DatabaseError):
            raise error.__cause__ from error
        raise


@dataclass(frozen=True)
class ExpectedSeal:
    """What the next capture's manifest must contain: the ledger's side of the chain."""

    run: str
    seq: int
    previous: str


def check_manifest(
    shelf: BoardCaptures, data: bytes, seal: bytes, *, due: ExpectedSeal, entries_limit: int
) -> Manifest:
    """Return the manifest that a board wants sealed, if it is signed, sound and the next one.

    The signature is checked over the exact bytes before anything is read out of them.

    Raises:
        SecurityError: it is not.
        DocumentError: its content is not that of a manifest.
    """
    # Read now: a key may have been withdrawn since this board's session began.
    keys = enrolment.read(shelf.store, shelf.board).live_keys
    signature.verify(data, seal, board=shelf.board, keys=keys, runner=shelf.runner)
    manifest = manifest_file.decode(data)
    wanted = {"board": shelf.board, "seq": due.seq, "run": due.run, "previous": due.previous}
    said = {
        "board": manifest.board.name,
        "seq": manifest.seq,
        "run": manifest.run,
        "previous": manifest.previous,
    }
    for key, value in wanted.items():
        if said[key] != value:
            raise SecurityError(f"manifest: {key} is {said[key]!r}; the ledger wants {value!r}")
    if sum(part.entries for part in manifest.parts) > entries_limit:
        own = shelf.store.board_folder(shelf.board) / "enrolment.yaml"
        raise SecurityError(
            f"manifest: more than the {entries_limit:,} entries this board may have",
            hint="if it has grown, raise limits.entries in the keeper's keeper.yaml, or for this "
            f"board alone in {own} there; then capture again, what was sent is not sent twice",
        )
    _check_attachments(manifest)
    taken_at(manifest)
    return manifest


def _check_attachments(manifest: Manifest) -> None:
    """Refuse what no manifest has beside the files, or calls by another name."""
    numbers = {part.number for part in manifest.parts}
    if len(numbers) != len(manifest.parts):
        raise SecurityError("manifest: a partition is listed twice")
    raws = {raw.name for raw in manifest.raws}
    if len(raws) != len(manifest.raws) or not raws.issubset(map(raw_name, numbers)):
        raise SecurityError("manifest: raws: names must be raw-<partition>.bin, each once")
    for item in capture_contents.attachments(manifest):
        if not 0 < item.size <= ATTACHMENT_MAX:
            raise SecurityError(f"manifest: {item.name} cannot have {item.size} bytes")
        if not names.is_digest(item.sha256):
            raise SecurityError(f"manifest: {item.name}: {item.sha256[:70]!r} is no digest")
    if manifest.index.size > index_schema.SIZE_MAX:
        raise SecurityError(f"manifest: an index of {manifest.index.size} bytes is too large")
    if manifest.index.name != INDEX:
        raise SecurityError(f"manifest: the index must be named {INDEX}")
    for place, gap in enumerate(manifest.gaps_by_disk, start=1):
        if gap is not None and gap.name != gap_name(place):
            raise SecurityError(f"manifest: a boot gap must be named {gap_name(place)}")


def name_of(manifest: Manifest) -> CaptureName:
    """Return the name of the capture that a manifest describes.

    Raises:
        SecurityError: its date is none.
    """
    return CaptureName.at(manifest.seq, taken_at(manifest))


def taken_at(manifest: Manifest) -> datetime:
    """Return the moment that the board's clock showed.

    Raises:
        SecurityError: it is written in another form than ours, or no clock of a board shows it.
    """
    text = manifest.moment.taken_at
    if _MOMENT.fullmatch(text) is None:
        raise SecurityError(f"manifest: moment.taken_at: {text[:40]!r} is no moment in UTC")
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise SecurityError(f"manifest: moment.taken_at: {error}") from error
    if moment.year not in _YEARS:
        raise SecurityError(f"manifest: moment.taken_at: no clock of a board shows {text}")
    return moment


def check_index(path: Path, manifest: Manifest, *, known: str = "") -> None:
    """Read a whole index that a board sent.

    Args:
        path: the index, put together of its pieces.
        manifest: what it must agree with.
        known: SHA-256 of an index of which every row was checked when its capture was sealed.

    Raises:
        SecurityError: it is hostile or damaged, or counts other entries than the manifest.
    """
    if manifest.index.sha256 != known:
        index_check.check(path)
    with index_file.opened(path) as index:
        if not {part.number for part in manifest.parts}.issuperset(index.parts()):
            raise SecurityError("index: it has a partition that the manifest does not list")
        for part in manifest.parts:
            totals = index.totals(part.number)
            if totals != (part.entries, part.files, part.content_bytes):
                raise SecurityError(
                    f"index, part {part.number}: {totals.entries} entries, {totals.files} files, "
                    f"{totals.content_bytes} bytes; the manifest says {part.entries}, "
                    f"{part.files}, {part.content_bytes}"
                )


def _named(manifest: Manifest) -> tuple[object, ...]:
    """Return all of a manifest that names contents, or that an index must agree with."""
    parts = ((p.number, p.entries, p.files, p.content_bytes) for p in manifest.parts)
    attachments = capture_contents.attachments(manifest)
    return (*((item.sha256, item.size) for item in attachments), *parts)


def event_for(
    documents: tuple[bytes, bytes],
    manifest: Manifest,
    *,
    needs: CaptureNeeds,
    arrived_at: str,
    run: str,
) -> SealedEvent:
    """Write down what was sealed: documents are the bytes of manifest and signature."""
    data, seal = documents
    kinds = Counter(finding.kind for finding in manifest.findings)
    brief = CaptureBrief(
        name=str(name_of(manifest)),
        seq=manifest.seq,
        manifest=manifest_file.digest(data),
        index=manifest.index.sha256,
        grade=manifest.grade,
        taken_at=manifest.moment.taken_at,
        arrived_at=arrived_at,
        clock_trusted=manifest.moment.clock_trusted,
        frozen_ms=manifest.pause.frozen_ms,
        entries=sum(part.entries for part in manifest.parts),
        content_bytes=sum(part.content_bytes for part in manifest.parts),
        new_bytes=needs.new_bytes,
        last_known=manifest.last_known,
        missing=kinds[FindingKind.MISSING],
        not_rebuildable=kinds[FindingKind.NOT_REBUILDABLE],
        left_out=kinds[FindingKind.LEFT_OUT],
        in_clear=manifest.in_clear,
        card=manifest.card,
        seconds=manifest.seconds,
    )
    return SealedEvent(
        brief=brief,
        run=run,
        signature=manifest_file.digest(seal),
        previous=manifest.previous,
        contents=needs.sum.number,
        content_sum=needs.sum.total,
    )


class NeedsCheck:
    """Finds what a capture needs, and whether it is all here and the board's own.

    Contents that the board's newest capture has already, and that no check found damaged since,
    are not looked for again. The caller keeps garbage from being collected until the capture is
    accounted for.
    """

    def __init__(
        self, store: Store, known: References, board: BoardName, possession: Possession
    ) -> None:
        self._store, self._known, self._board = store, known, board
        self._possession = possession
        self._resting = trash.resting(store)

    def absent(self, lists: Iterable[bytes]) -> tuple[Digest, ...]:
        """Return those of these lists of pieces that may not be read: not here, or not its own."""
        named = (Digest(digest.hex()) for digest in lists)
        return tuple(
            digest for digest in named if self._found(digest) is None or not self._is_own(digest)
        )

    def lacking(self, contents: Iterable[tuple[bytes, int]]) -> tuple[Digest, ...]:
        """Load these contents; return those that are not in the store, or not the board's own.

        Of very many, the first ones: whoever asks brings those, and asks again. Until the answer
        nobody can collect garbage, and a board can name as many as it likes.

        Raises:
            SecurityError: a content of the board has another size than is said.
        """
        self.sum = self._known.load(contents)
        lacking = dict.fromkeys(self._taken_out())
        self.fresh = 0
        for content, size in self._known.not_of(self._board):
            if len(lacking) >= BATCH:
                break
            self.fresh += 1
            digest = Digest(content.hex())
            found = self._found(digest)
            if found is None or not self._is_own(digest):
                lacking[digest] = None
            elif found != size and not repair.is_good(self._store.contents.path(digest), digest):
                repair.take_out(self._store, digest)  # the disk, not the board, is to blame
                lacking[digest] = None
            elif found != size:
                raise SecurityError(f"index: content {digest} does not have {size} bytes")
        return tuple(lacking)

    def _taken_out(self) -> Iterator[Digest]:
        """Yield the loaded contents that were damaged, and are awaited."""
        awaited = repair.awaited(self._store)
        if awaited is None:  # nobody can tell which: all are looked for
            loaded = (Digest(digest.hex()) for digest in self._known.loaded())
            yield from (digest for digest in loaded if not self._store.contents.has(digest))
        else:
            yield from (x for x in awaited if self._known.needs(bytes.fromhex(x)))

    def _is_own(self, digest: Digest) -> bool:
        content = bytes.fromhex(digest)
        return (
            self._possession.has_shown(digest)
            or self._known.has(self._board, content)
            or self._known.is_own(content)
        )

    def _found(self, digest: Digest) -> int | None:
        found = self._store.contents.size(digest)
        if found is None and trash.take_back(self._store, digest, self._resting):
            found = self._store.contents.size(digest)
        return found


class Sealer:
    """Makes one capture out of one staging, or leaves everything as it was."""

    def __init__(self, shelf: BoardCaptures, *, clock: Clock) -> None:
        self._shelf, self._store = shelf, shelf.store
        self._disk, self._clock = shelf.store.disk, clock
        self._sealing = shelf.store.board_folder(shelf.board) / "sealing"

    def prepare(
        self,
        staging: Staging,
        manifest: Manifest,
        documents: tuple[bytes, bytes],
        known: References,
        possession: Possession,
    ) -> tuple[Path, CaptureNeeds]:
        """Build the capture's directory; at the end it is whole and on the medium.

        If contents are lacking, nothing is left.
        """
        folder = self._sealing / staging.run
        self._store.discard(folder)
        check = NeedsCheck(self._store, known, self._shelf.board, possession)
        needs = self._needs(manifest, known, folder.with_suffix(".index"), check)
        if not possession.is_sharing:
            needs = needs._replace(new_bytes=known.new_bytes(self._shelf.board))
        if needs.lacking:
            return folder, needs
        self._disk.make_directory(folder)
        for name, content in zip((MANIFEST, SIGNATURE), documents, strict=True):
            self._disk.create(folder / name, content, mode=0o400)
        self._disk.sync_all(folder)
        return folder, needs

    def _needs(
        self, manifest: Manifest, known: References, draft: Path, check: NeedsCheck
    ) -> CaptureNeeds:
        """Check what the manifest names, which is read here, and that all else is there.

        What the disk has spoiled is taken out, and the board asked for it.
        """
        try:
            return self._read_needs(manifest, check, draft, known)
        except DamagedContentError as error:
            digest = Digest(error.digest)
            repair.take_out(self._store, digest)
            return CaptureNeeds(lacking=(digest,))
        finally:
            self._store.discard(draft)

    def _read_needs(
        self, manifest: Manifest, check: NeedsCheck, draft: Path, known: References
    ) -> CaptureNeeds:
        """Read lists, raw areas and the index, which is put together in a draft."""
        contents = self._store.contents
        newest = self._shelf.newest_good()
        if newest is not None and (needs := self._same_needs(manifest, newest, known)):
            assembled.write(contents, manifest.index, draft)  # the disk may have spoiled it since
            return needs
        self._load_own(newest, known)
        named = capture_contents.attachments(manifest)
        if lacking := check.absent(bytes.fromhex(item.sha256) for item in named):
            return CaptureNeeds(lacking=lacking)
        if lacking := check.lacking(capture_contents.attached(contents, manifest)):
            return CaptureNeeds(lacking=lacking)
        for gap in manifest.gaps:
            captured_gap.read(contents, gap, of="manifest")
        self._store.discard(draft)
        assembled.write(contents, manifest.index, draft)
        check_index(draft, manifest, known=newest.index if newest else "")
        with _trouble_of_references(), index_file.opened(draft) as index:
            if lacking := check.absent(
                digest for digest, size in index.digests() if pieces.is_pieced(size)
            ):
                return CaptureNeeds(lacking=lacking)
            attached = capture_contents.attached(contents, manifest)
            listed = capture_contents.listed(contents, index)
            lacking = check.lacking(itertools.chain(attached, listed))
        return CaptureNeeds(check.sum, known.new_bytes(), lacking, check.fresh)

    def _same_needs(
        self, manifest: Manifest, newest: CaptureBrief, known: References
    ) -> CaptureNeeds | None:
        """Return what a capture needs that names nothing but what the newest one names.

        Its index was checked then, and its contents are accounted for; None if anything differs.
        """
        event = self._shelf.ledger_file.read().last_sealed
        accounted = known.captures(self._shelf.board)
        if event is None or not accounted:
            return None
        if not event.brief.name == newest.name == accounted[-1].name:
            return None
        if _named(self._shelf.capture(newest.name).manifest()) != _named(manifest):
            return None
        awaited = repair.awaited(self._store)
        if awaited is None or any(
            known.has(self._shelf.board, bytes.fromhex(digest)) for digest in awaited
        ):
            return None
        return CaptureNeeds(ContentSum(event.contents, event.content_sum), is_same=True)

    def _load_own(self, newest: CaptureBrief | None, known: References) -> None:
        """Read what the newest capture needs where the references were lost.

        What cannot be read the board has to show again.
        """
        accounted = known.captures(self._shelf.board)
        if newest is not None and newest.name not in {capture.name for capture in accounted}:
            with suppress(HoldstillError, OSError):
                known.load_own(capture_contents.needed(self._shelf.capture(newest.name)))

    def publish(self, folder: Path, event: SealedEvent) -> None:
        """Make a prepared capture visible, and write it into the ledger."""
        intent = self._sealing / f"{event.run}.json"
        self._disk.publish(intent, msgspec.json.encode(event))
        with self._shelf.ledger_file.held_for_writing(self._disk) as ledger:
            self._check_next(ledger, event)
            self._disk.rename_new(folder, self._shelf.folder / event.brief.name)
            self._disk.sync_directory(self._shelf.folder)
            self._note(ledger, event)
        with suppress(OSError):  # the capture is sealed; the next run takes the intent away
            self._disk.unlink(intent)

    def _check_next(self, ledger: Ledger, event: SealedEvent) -> None:
        ledger.check_sound(self._shelf.ledger_file.path)
        last = ledger.last_sealed
        due = (last.brief.seq + 1, last.brief.manifest) if last else (1, "")
        if (event.brief.seq, event.previous) != due:
            raise SecurityError("the ledger moved on while this capture was prepared")

    def _note(self, ledger: Ledger, event: SealedEvent) -> None:
        at = clocks.rfc3339(self._clock.now())
        self._shelf.ledger_file.append(ledger, [event], at=at, disk=self._disk)

    def recover(self) -> None:
        """Finish, or take back, what an interruption left; the run lock is held.

        A capture that was renamed into place is whole: only its line in the ledger is missing.
        Anything else that was in the making is thrown away; its staging is still there.

        Raises:
            SecurityError: the ledger or the captures were tampered with; nothing was changed.
        """
        self._store.check_own(self._sealing)
        with self._shelf.ledger_file.held_for_writing(self._disk) as ledger:
            ledger.check_sound(self._shelf.ledger_file.path)
            notes, doomed = deletion.cut_off(self._store, self._shelf.board, ledger)
        for intent in sorted(self._sealing.glob("*.json")):
            try:
                data = files.read_regular(intent)
            except OSError:  # something else in an intent's place: it goes with the rest
                continue
            self._finish(data)
            self._disk.unlink(intent)
        self._shelf.check_no_strangers()
        for name in sorted(doomed):
            self._store.discard(self._shelf.folder / str(CaptureName.parse(name)))
        deletion.over(self._store, notes)
        for rest in sorted(self._sealing.iterdir()):
            if not deletion.is_note(rest):  # of a thinning that goes on beside this
                self._store.discard(rest)

    def _finish(self, intent: bytes) -> None:
        try:
            event = msgspec.json.decode(intent, type=SealedEvent)
        except (msgspec.MsgspecError, UnicodeDecodeError):
            return  # spoiled: if it made something visible, that is a stranger's now, and is told
        with self._shelf.ledger_file.held_for_writing(self._disk) as ledger:
            is_noted = any(e.brief.manifest == event.brief.manifest for e in ledger.sealed)
            folder = self._shelf.folder / event.brief.name
            if is_noted or not folder.is_dir():
                return
            self._check_next(ledger, event)
            data, seal = (files.read_regular(folder / name) for name in (MANIFEST, SIGNATURE))
            same = manifest_file.digest(data) == event.brief.manifest
            if not same or not self._shelf.is_signed(data, seal):
                raise SecurityError(
                    f"{folder}: an interrupted sealing left it, and it was altered since",
                    hint="nothing was changed; check the directory before the next run",
                )
            self._disk.sync_directory(self._shelf.folder)
            self._note(ledger, msgspec.structs.replace(event, recovered=True))
