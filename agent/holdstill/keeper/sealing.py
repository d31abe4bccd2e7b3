"""Sealing: everything is checked, laid out beside the captures, and appears by one rename."""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from holdstill.errors import SecurityError, VerificationError
from holdstill.keeper import incoming, ingest, repair, trash
from holdstill.keeper.board_captures import GAP, INDEX, MANIFEST, SIGNATURE
from holdstill.keeper.ledger import SealedEvent
from holdstill.model.names import CaptureName, Digest
from holdstill.model.protocol import CaptureBrief
from holdstill.records import index_check, index_file, manifest_file, signature
from holdstill.system import clocks

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.keeper.board_captures import BoardCaptures
    from holdstill.keeper.incoming import Staging
    from holdstill.keeper.ledger import Ledger
    from holdstill.keeper.references import ContentSum, References
    from holdstill.keeper.store import Store
    from holdstill.model.manifest import Attachment, Manifest
    from holdstill.model.names import BoardName
    from holdstill.system.clocks import Clock

_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", re.ASCII)
_RAW = re.compile(r"raw-([1-9]\d{0,3})\.bin", re.ASCII)


class CaptureNeeds(NamedTuple):
    """The contents that a capture needs.

    Attributes:
        sum: what they come to; written into the ledger.
        new_bytes: of those that no capture of any board had before.
        lacking: those that are not in the store.
    """

    sum: ContentSum
    new_bytes: int
    lacking: tuple[Digest, ...]


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
    keys = shelf.enrolled.live_keys
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
        raise SecurityError(f"manifest: more than the {entries_limit} entries this board may have")
    numbers = {part.number for part in manifest.parts}
    if len(numbers) != len(manifest.parts):
        raise SecurityError("manifest: a partition is listed twice")
    matches = [_RAW.fullmatch(raw.name) for raw in manifest.raws]
    found = [int(match[1]) if match else 0 for match in matches]
    if len(set(found)) != len(found) or not numbers.issuperset(found):
        raise SecurityError("manifest: raws: names must be raw-<partition>.bin, each once")
    if manifest.index.name != INDEX or (manifest.gap and manifest.gap.name != GAP):
        raise SecurityError(f"manifest: attachments must be named {INDEX} and {GAP}")
    taken_at(manifest)
    return manifest


def taken_at(manifest: Manifest) -> datetime:
    """Return the moment that the board's clock showed.

    Raises:
        SecurityError: it is written in another form than ours.
    """
    text = manifest.moment.taken_at
    if _MOMENT.fullmatch(text) is None:
        raise SecurityError(f"manifest: moment.taken_at: {text[:40]!r} is no moment in UTC")
    try:
        return datetime.fromisoformat(text)
    except ValueError as error:
        raise SecurityError(f"manifest: moment.taken_at: {error}") from error


def attachments_of(manifest: Manifest) -> Iterator[Attachment]:
    """Yield everything that is beside a manifest."""
    yield manifest.index
    if manifest.gap is not None:
        yield manifest.gap
    yield from manifest.raws


def take_attachments(store: Store, staging: Staging, folder: Path, manifest: Manifest) -> None:
    """Copy attachments into the capture in the making and hash the copies.

    Copies, because nothing that a board could still hold open may become part of a capture.

    Raises:
        VerificationError: one did not arrive, or its bytes are not those in the manifest.
    """
    for wanted in attachments_of(manifest):
        source, target = staging.attachments / wanted.name, folder / wanted.name
        if incoming.is_plain(source) and source.lstat().st_size == wanted.size:
            store.disk.clone(source, target)
        if not target.is_file():
            raise VerificationError(f"{wanted.name} did not arrive whole", hint="send it again")
        store.disk.sync_file(target)
        digest, size = store.disk.reread(target, size_limit=ingest.SIZE_MAX)
        if (digest.hex(), size) != (wanted.sha256, wanted.size):
            raise VerificationError(
                f"{wanted.name} is not what the manifest says", hint="send it again"
            )
        store.disk.change_mode(target, 0o400)


def check_index(path: Path, manifest: Manifest, *, known: str = "") -> None:
    """Read a whole index that a board sent.

    Args:
        path: the index; it has the digest that the manifest states.
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


def event_for(
    data: bytes, manifest: Manifest, *, needs: CaptureNeeds, arrived_at: str, run: str
) -> SealedEvent:
    """Write down what was sealed."""
    brief = CaptureBrief(
        name=str(CaptureName.at(manifest.seq, taken_at(manifest))),
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
    )
    return SealedEvent(
        brief=brief,
        run=run,
        previous=manifest.previous,
        contents=needs.sum.number,
        content_sum=needs.sum.total,
    )


def needs_of(store: Store, known: References, board: BoardName, index_path: Path) -> CaptureNeeds:
    """Load what a capture needs, by an index that was checked, and see that it is all here.

    Contents that the board's newest capture has already, and that no check found damaged since,
    are not looked for again. The caller keeps garbage from being collected until the capture is
    accounted for.

    Raises:
        SecurityError: the index gives a content another size than it has.
    """
    with index_file.opened(index_path) as index:
        content_sum = known.load(index.digests())
    lacking = {
        digest: None for digest in repair.awaited(store) if known.needs(bytes.fromhex(digest))
    }
    for content, size in known.not_of(board):
        digest = Digest(content.hex())
        found = store.contents.size(digest)
        if found is None and trash.take_back(store, digest):
            found = store.contents.size(digest)
        if found is None:
            lacking[digest] = None
        elif found != size:
            raise SecurityError(
                f"index: content {digest} has {found} bytes, the index says {size}"
            )
    return CaptureNeeds(content_sum, known.new_bytes(), tuple(lacking))


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
    ) -> tuple[Path, CaptureNeeds]:
        """Build the capture's directory; at the end it is whole and on the medium.

        If contents are lacking, nothing is left.
        """
        folder = self._sealing / staging.run
        self._store.discard(folder)
        self._disk.make_directory(folder)
        take_attachments(self._store, staging, folder, manifest)
        newest = self._shelf.newest_good()
        check_index(folder / INDEX, manifest, known=newest.index if newest else "")
        needs = needs_of(self._store, known, self._shelf.board, folder / INDEX)
        if needs.lacking:
            self._store.discard(folder)
            return folder, needs
        for name, content in zip((MANIFEST, SIGNATURE), documents, strict=True):
            self._disk.create(folder / name, content, mode=0o400)
        self._disk.sync_all(folder)
        return folder, needs

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
        with self._shelf.ledger_file.held_for_writing(self._disk) as ledger:
            ledger.check_sound(self._shelf.ledger_file.path)
        for intent in sorted(self._sealing.glob("*.json")):
            self._finish(intent)
            self._disk.unlink(intent)
        self._shelf.check_no_strangers()
        for rest in sorted(self._sealing.iterdir()):
            self._store.discard(rest)
        for name in sorted(self._shelf.ledger_file.read().thinned):
            self._store.discard(self._shelf.folder / name)

    def _finish(self, intent: Path) -> None:
        event = msgspec.json.decode(intent.read_bytes(), type=SealedEvent)
        with self._shelf.ledger_file.held_for_writing(self._disk) as ledger:
            is_noted = any(e.brief.manifest == event.brief.manifest for e in ledger.sealed)
            folder = self._shelf.folder / event.brief.name
            if is_noted or not folder.is_dir():
                return
            self._check_next(ledger, event)
            data, seal = (folder / MANIFEST).read_bytes(), (folder / SIGNATURE).read_bytes()
            same = manifest_file.digest(data) == event.brief.manifest
            if not same or not self._shelf.is_signed(data, seal):
                raise SecurityError(
                    f"{folder}: an interrupted sealing left it, and it was altered since",
                    hint="nothing was changed; check the directory before the next run",
                )
            self._disk.sync_directory(self._shelf.folder)
            self._note(ledger, msgspec.structs.replace(event, recovered=True))
